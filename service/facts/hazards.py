"""What was done, or left on, although another place of the record speaks against it."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterable, Iterator, Mapping

from service.episode import record
from service.episode.absence import Absent
from service.episode.drugs import DRUGS
from service.episode.member_names import MemberName

from . import intervals
from .compared import Compared, Spot
from .entries import items
from .timeline import ROUNDING, Timeline, applied_here, limb_of

#: Injuries that a strap or a cuff on the same limb makes worse.
_BONE_OR_JOINT = frozenset({"fracture", "dislocation"})
_SUGAR = frozenset({"dextrose", "glucagon", "oral_sugar"})
#: Glucose in mg/dL under which it may itself be the cause of the behavior (domain.md 13).
_LOW_GLUCOSE = 60
#: Seconds that straps may take to come off once release was decided (common practice).
_TAKING_OFF = 600
#: Seconds in which devices are off once the heart has stopped (common practice).
_FREED = 300
#: SpO2 in percent that is over a target of 88 to 92 by more than a sensor errs (2; from memory).
_OVER_TARGET = 94
#: Weeks of pregnancy from which the womb stands over the pelvis (common practice; 20 for the flat position too).
_LATE_PREGNANCY = 20
#: What is given for a dystonia (from memory).
_FOR_DYSTONIA = "diphenhydramine"


def _injured_limbs(line: Timeline) -> Iterator[Compared]:
    hurt = {
        limb_of(injury.side, injury.site): injury
        for injury in items(line.episode.injuries.patient)
        if injury.when == "before_contact" and injury.kind in _BONE_OR_JOINT
        if type(injury.side) is not Absent and type(injury.site) is not Absent
    }
    own = [(limb_of(item.side, item.site), item) for item in items(line.limb_items) if applied_here(item)]
    police = [(limb.limb, device) for limb in line.limbs.values() for device in limb.police]
    if not own and not police:
        return
    for limb, injury in hurt.items():
        spots: list[Spot] = [(device,) for name, device in (*own, *police) if name == limb]
        yield Compared(((injury,), *spots), bool(spots))


def _low_sugar(line: Timeline) -> Iterator[Compared]:
    """A sedative for behavior, given after a low glucose and before any sugar."""
    readings = [(t, v) for t, v in line.sets if _low(v) is not None]
    times = [t for t, _ in readings]
    acts = items(line.episode.monitoring.actions)
    given = sorted([t for a in acts if a.action in _SUGAR and (t := a.time.epoch) is not None])
    for dose in items(line.dose_items):
        time = dose.time.epoch
        if time is None or dose.reason == "seizure" or not (dose.drug in DRUGS and DRUGS[dose.drug].sedative):
            continue
        last = bisect_right(times, time) - 1
        if last < 0:
            continue
        at, vital = readings[last]
        treated = bisect_right(given, time) > bisect_left(given, at - ROUNDING)
        member: MemberName = "glucose_mg_dl" if type(vital.glucose_mg_dl) is not Absent else "glucose_reading"
        yield Compared(((dose,), (vital, member)), _low(vital) is True and not treated)


def _low(vital: record.VitalSet) -> bool | None:
    if type(vital.glucose_mg_dl) is not Absent:
        return vital.glucose_mg_dl < _LOW_GLUCOSE
    return None if type(vital.glucose_reading) is Absent else vital.glucose_reading == "low"


def _belt(line: Timeline) -> Iterator[Compared]:
    patient, belts = line.episode.patient, items(line.episode.stretcher.belts)
    if type(patient) is Absent or type(patient.pregnant) is Absent:
        return
    weeks = patient.gestation_weeks
    late = patient.pregnant is True and (type(weeks) is Absent or weeks >= _LATE_PREGNANCY)
    for belt in belts:
        yield Compared(((belt,), (patient, "pregnant")), late and belt.place == "abdomen")


def _release(line: Timeline) -> Iterator[Compared]:
    """Release decided for good, and the straps of this crew that stayed on well after it."""
    timed = [(t, look) for look in items(line.episode.reassessments) if (t := look.time.epoch) is not None]
    back = max((t for t, look in timed if look.decision == "continue"), default=None)
    final = [(t, look) for t, look in timed if look.decision == "release" and (back is None or t > back)]
    if not final:
        return
    time, look = min(final, key=lambda pair: pair[0])
    kept = [
        item
        for item in items(line.limb_items)
        if (on := item.on.epoch) is not None
        and on <= time
        and (end := line.end_of(item.off)[0]) is not None
        and end > time + _TAKING_OFF + ROUNDING
    ]
    yield Compared(((look,), *[(item,) for item in kept]), bool(kept))


def _refusal(line: Timeline) -> Iterator[Compared]:
    decision, ended = line.episode.decision, line.episode.transport.ended
    if type(decision) is Absent or type(ended) is Absent or type(decision.capacity) is Absent:
        return
    yield Compared(((decision, "capacity"), (ended, "how")), ended.how == "refused" and decision.capacity == "absent")


def _dystonia(line: Timeline) -> Iterator[Compared]:
    """A dystonia, and a drug for it that was given after it began."""
    doses = items(line.dose_items)
    acts = [a for a in items(line.episode.monitoring.actions) if a.action == "drug_for_adverse_effect"]
    given = [t for d in doses if d.drug == _FOR_DYSTONIA and (t := d.time.epoch) is not None]
    given += [t for a in acts if (t := a.time.epoch) is not None]
    last = intervals.ALWAYS[1] if any(type(a.time) is Absent for a in acts) else max(given, default=None)
    for told in items(line.episode.injuries.complications):
        treated = last is not None and last >= (told.time.epoch or 0)
        yield Compared(((told,),), told.complication == "dystonia" and not treated)
    for dose in doses:
        if type(dose.adverse_effects) is not Absent:
            treated = last is not None and last > (dose.time.epoch or 0)
            yield Compared(((dose, "adverse_effects"),), "dystonia" in dose.adverse_effects and not treated)


def _arrest(line: Timeline) -> Iterator[Compared]:
    """Devices of the crew or the police that were on at an arrest, and charted as off only well after it."""
    events = items(line.episode.monitoring.events)
    arrests = sorted([t for e in events if e.event == "arrest" and (t := e.time.epoch) is not None])
    devices: tuple[record.LimbRestraint | record.PoliceDevice, ...] = (
        *items(line.limb_items),
        *items(line.police_items),
    )
    if not arrests or not devices:
        return
    kept = []
    for device in devices:
        on, off = device.on.epoch, device.off.epoch
        at = 0 if on is None else bisect_left(arrests, on)
        if off is not None and at < len(arrests) and off > arrests[at] + _FREED + ROUNDING:
            kept.append(device)
    yield Compared(tuple((device, "off") for device in kept), bool(kept))


def _oxygen(line: Timeline) -> Iterator[Compared]:
    """Two readings in a row over a prescribed target of 88 to 92 while oxygen ran."""
    patient = line.episode.patient
    if type(patient) is Absent or type(patient.oxygen_target) is Absent:
        return
    low_target = patient.oxygen_target == "88-92"
    sets = [v for _, v in line.sets if type(v.spo2) is not Absent and type(v.oxygen) is not Absent]
    for one, other in zip(sets, sets[1:], strict=False):
        over = all(v.oxygen == "oxygen" and v.spo2 > _OVER_TARGET for v in (one, other))  # type: ignore[operator]
        yield Compared(((one, "spo2"), (other, "spo2"), (patient, "oxygen_target")), low_target and over)


def _guardian(line: Timeline) -> Iterator[Compared]:
    decision = line.episode.decision
    if type(decision) is Absent or type(decision.authority) is Absent or type(decision.guardian_answer) is Absent:
        return
    clash = decision.authority == "guardian_consent" and decision.guardian_answer == "refused"
    yield Compared(((decision, "authority"), (decision, "guardian_answer")), clash)


#: Name of the comparison -> what makes it.
HAZARDS: Mapping[str, Callable[[Timeline], Iterable[Compared]]] = {
    "injured_limb_and_device": _injured_limbs,
    "low_sugar_and_sedative": _low_sugar,
    "belt_and_pregnancy": _belt,
    "release_and_straps": _release,
    "refusal_and_capacity": _refusal,
    "dystonia_and_drug": _dystonia,
    "arrest_and_devices": _arrest,
    "target_and_oxygen": _oxygen,
    "authority_and_guardian": _guardian,
}
