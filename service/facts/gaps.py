"""The longest time without one kind of watching, while there was a duty to watch.

A span with no charted end is judged up to the last time of the record. A gap
that is over the limit even so is a finding (``longest_gap_so_far``); whether
any other grew too long nobody can tell (``longest_gap_sure`` is unknown).
"""

from __future__ import annotations

from collections.abc import Iterator

from service.episode import record
from service.episode.absence import Absent
from service.episode.declaration import Node
from service.episode.member_names import MemberName

from . import intervals
from .attendance import watch_due_from
from .builder import FactBuilder
from .duties import set_points
from .entries import dated, items
from .fact import place
from .intervals import Span
from .timeline import ROUNDING, Timeline

#: Kind of watching -> the list in which it is charted.
_MEMBERS: dict[str, MemberName] = {
    "vitals": "vitals",
    "vitals_sedated": "vitals",
    "observation": "observation",
    "capnography": "capnography",
    "oximetry": "oximetry",
    "ecg": "ecg",
}
_Watched = record.ObservationSpan | record.MonitorSpan


def _window(line: Timeline, start: int | None) -> list[Span]:
    end = line.care_end if line.care_end is not None else line.last
    return [] if start is None or end is None or end < start else [(start, end)]


def gaps(line: Timeline) -> Iterator[FactBuilder]:
    """One fact for each kind of watching: vitals (before a sedative), vitals_sedated, observation, capnography, oximetry, ecg."""
    monitoring = line.episode.monitoring
    vitals = line.vitals
    at = {t: v for v in items(vitals) if (t := v.time.epoch) is not None}
    points = set_points(line)
    first = line.sedatives[0] if line.sedatives else None
    sedated = _window(line, first if first is None or line.contact is None else max(first, line.contact))
    awake = intervals.clip(line.restrained, None, first) if first is not None else list(line.restrained)
    awake = [span for span in awake if span[0] < span[1]]
    still = line.open or line.care_end is None
    for name, window, is_open in (
        ("vitals", awake, still and first is None),
        ("vitals_sedated", sedated, line.care_end is None),
    ):
        fact = _points(line, name, vitals, points, window, is_open, whole=name == "vitals")
        if fact.span is not None:
            ends = tuple(place(at[t]) for t in fact.span if t in at)
            fact.evidence["longest_gap_sure"] = fact.evidence["longest_gap_so_far"] = (*fact.pointers, *ends)
        yield fact
    taken_over = watch_due_from(line)
    watched = line.restrained if taken_over is None else intervals.clip(line.restrained, taken_over, None)
    spans: tuple[tuple[str, tuple[_Watched, ...] | Absent, list[Span], bool], ...] = (
        ("observation", monitoring.observation, watched, still),
        (
            "capnography",
            monitoring.capnography,
            sedated or line.restrained,
            line.care_end is None if sedated else still,
        ),
        ("oximetry", monitoring.oximetry, _oximetry(line, watched), still),
        ("ecg", monitoring.ecg, sedated, line.care_end is None),
    )
    for name, listed, window, is_open in spans:
        yield _cover(line, name, dated(listed, [span.start for span in items(listed)]), window, is_open)


def _oximetry(line: Timeline, watched: list[Span]) -> list[Span]:
    """The time restrained that is to be watched; only from control on where a reading was unsafe to attempt before it."""
    unsafe = any(type(v.spo2) is Absent and v.spo2.reason == "unsafe_to_attempt" for v in items(line.vitals))
    return intervals.clip(watched, line.control if unsafe else None, None)


def _fact(line: Timeline, name: str, listed: tuple[Node, ...] | Absent, window: list[Span]) -> FactBuilder:
    monitoring = line.episode.monitoring
    where = place(line.episode, "monitoring") if type(monitoring) is Absent else place(monitoring, _MEMBERS[name])
    fact = FactBuilder("gap", name, (where,))
    fact.know(monitor=name, due=bool(intervals.length(window)))
    fact.set("entries_charted", listed if type(listed) is Absent else bool(listed))
    return fact


def _with_gap(fact: FactBuilder, worst: Span | None, is_open: bool) -> FactBuilder:
    gap = worst[1] - worst[0] if worst else 0
    fact.know(longest_gap=gap, longest_gap_so_far=max(0, gap - ROUNDING))
    fact.set("longest_gap_sure", None if is_open else max(0, gap - ROUNDING))
    fact.span = worst
    return fact


def _points(
    line: Timeline,
    name: str,
    listed: tuple[record.VitalSet, ...] | Absent,
    points: list[int],
    window: list[Span],
    is_open: bool,
    *,
    whole: bool,
) -> FactBuilder:
    """Gaps between entries; ``whole``: the time before the first entry of the window counts too."""
    fact = _fact(line, name, listed, window)
    if type(listed) is Absent:
        fact.unknown(("longest_gap", "longest_gap_sure", "longest_gap_so_far"), listed.state)
        return fact
    found: list[Span] = []
    for span in window:
        found += intervals.between(points, span)
        first = intervals.first_in(points, span)
        if whole:
            found.append((span[0], first if first is not None else span[1]))
    if not whole and window and not found:
        # No set at all in the window: the rule about the first set owns that.
        fact.unknown(("longest_gap", "longest_gap_sure", "longest_gap_so_far"), "missing")
        return fact
    return _with_gap(fact, intervals.longest(found), is_open)


def _cover(
    line: Timeline, name: str, listed: tuple[_Watched, ...] | Absent, window: list[Span], is_open: bool
) -> FactBuilder:
    """Holes in spans of watching; a span with no end lasts to transfer of care, else to the last entry."""
    fact = _fact(line, name, listed, window)
    if type(listed) is Absent:
        fact.unknown(("longest_gap", "longest_gap_sure", "longest_gap_so_far"), listed.state)
        return fact
    cover = []
    for span in listed:
        start, (end, _) = span.start.epoch, line.end_of(span.end)
        if start is not None and end is not None and end >= start:
            cover.append((start, end))
    where = (*fact.pointers, *(place(span) for span in listed))
    fact.evidence["longest_gap_sure"] = fact.evidence["longest_gap_so_far"] = where
    return _with_gap(fact, intervals.longest(intervals.holes(window, cover)), is_open)
