"""Whether an entry meets a duty to chart it."""

from __future__ import annotations

from collections.abc import Iterable

from service.episode import record
from service.episode.absence import NOT_COLLECTED, Absent
from service.episode.member_names import MemberName

from .timeline import NO_OUTPUT, Timeline


def charted_times(
    vitals: tuple[record.VitalSet, ...] | Absent, members: tuple[MemberName, ...], line: Timeline
) -> list[int] | Absent:
    """Times of the sets in which one of the members is recorded, or declined with a reason that holds (``meets_duty``).

    An Absent where ``vitals`` is one, or where the sender's system has no place for any of the members.
    """
    if type(vitals) is Absent:
        return vitals
    found: list[int] = []
    for vital in vitals:
        time = vital.time.epoch
        if time is not None:
            for member in members:
                value = getattr(vital, member)
                if type(value) is not Absent or meets_duty(value, time, line):
                    found.append(time)
                    break
    if not found and vitals:
        states = {v.state for vital in vitals for m in members if type(v := getattr(vital, m)) is Absent}
        if states == {"not_collected"}:
            return NOT_COLLECTED
    return sorted(found)


def is_set(vital: record.VitalSet, time: int, line: Timeline) -> bool:
    """Whether a set tells how the patient breathes: rate of breathing, and SpO2 or EtCO2.

    Each charted, or declined with a reason that holds; EtCO2 counts the breaths too. One definition for every rule:
    protocols ask for pulse, breathing, pressure and SpO2 (Rhode Island 01.02), and after a sedative for SpO2 and EtCO2
    (St. Vincent 2021); that a heart rate or pressure alone is no set is common practice. An arrest is one.
    """
    if vital.hr == 0 or vital.rhythm in NO_OUTPUT or type(vital.etco2_mmhg) is not Absent:
        return True
    signs = (vital.rr, vital.spo2)
    tried = any(type(value) is not Absent or value.reason == "unsafe_to_attempt" for value in signs)
    gas = meets_duty(vital.spo2, time, line) or meets_duty(vital.etco2_mmhg, time, line)
    return tried and gas and meets_duty(vital.rr, time, line)


def set_times(line: Timeline) -> list[int] | Absent:
    """Times of the sets that count (``is_set``); an Absent as for ``charted_times``."""
    listed = charted_times(line.vitals, ("rr", "spo2", "etco2_mmhg"), line)
    return listed if type(listed) is Absent else set_points(line)


def set_points(line: Timeline) -> list[int]:
    """Times of the sets that count, in order."""
    if line.set_points is None:
        line.set_points = [t for t, vital in line.sets if is_set(vital, t, line)]
    return line.set_points


def meets_duty(value: object, time: int, line: Timeline) -> bool:
    """Whether a member meets a duty at a time: recorded, or declined with a reason that holds then.

    "Unsafe to attempt" holds before control only.
    """
    if type(value) is not Absent:
        return True
    if value.state != "declined":
        return False
    return value.reason != "unsafe_to_attempt" or line.control is None or time < line.control


def measured(line: Timeline, vitals: list[record.VitalSet], members: tuple[MemberName, ...]) -> bool | Absent:
    """Whether one of the members was charted in one of the sets, or declined with a reason.

    "Unsafe to attempt" before control does not count where there is a set after control: the duty begins anew then.
    """
    tried: Absent | None = None
    for vital in vitals:
        time = vital.time.epoch
        for member in members:
            value = getattr(vital, member)
            if type(value) is not Absent:
                return True
            if value.state == "declined" and (time is None or meets_duty(value, time, line)):
                begins_anew = value.reason == "unsafe_to_attempt" and _any_after(line.control, vitals)
                if time is None or not begins_anew:
                    tried = value
    if tried is not None:
        return True
    states = [getattr(v, m) for v in vitals for m in members]
    if states and all(type(s) is Absent and s.state == "not_collected" for s in states):
        return NOT_COLLECTED
    return False


def _any_after(control: int | None, vitals: Iterable[record.VitalSet]) -> bool:
    return control is not None and any((t := v.time.epoch) is not None and t >= control for v in vitals)
