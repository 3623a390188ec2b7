"""The longest time without one kind of watching, while there was a duty to watch."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from service.episode import record
from service.episode.absence import Absent

from . import intervals
from .builder import Draft
from .fact import place
from .intervals import Span
from .timeline import ROUNDING, Timeline, dated, items, part


def is_entry(line: Timeline, vital: record.VitalSet) -> bool:
    """A set counts when a sign stands in it, or when one was unsafe to attempt before control."""
    time = vital.time.epoch
    for value in (vital.hr, vital.rr, vital.spo2, vital.sbp):
        if type(value) is not Absent:
            return True
        if value.state == "declined" and time is not None and line.control is not None and time < line.control:
            return True
    return False


def _window(line: Timeline, start: int | None) -> list[Span]:
    end = line.handover if line.handover is not None else line.last
    return [] if start is None or end is None or end < start else [(start, end)]


def gaps(line: Timeline) -> Iterator[Draft]:
    """One fact a kind of watching: vitals (before a sedative), vitals_sedated, observation, capnography, oximetry, ecg."""
    monitoring = line.episode.monitoring
    vitals = line.vitals
    at = {t: v for v in items(vitals) if (t := v.time.epoch) is not None}
    points = [t for t, v in line.sets if is_entry(line, v)]
    first = line.sedatives[0] if line.sedatives else None
    sedated = _window(line, first if first is None or line.contact is None else max(first, line.contact))
    awake = intervals.clip(line.restrained, None, first) if first is not None else list(line.restrained)
    awake = [span for span in awake if span[0] < span[1]]
    still = line.open or line.handover is None
    for name, window, is_open in (
        ("vitals", awake, still and first is None),
        ("vitals_sedated", sedated, line.handover is None),
    ):
        draft = _points(line, name, vitals, points, window, is_open, whole=name == "vitals")
        if draft.span is not None:
            ends = tuple(place(at[t]) for t in draft.span if t in at)
            draft.evidence["longest_gap_sure"] = draft.evidence["longest_gap_so_far"] = ends or draft.pointers
        yield draft
    for name, spell, is_open in (
        ("observation", line.restrained, still),
        ("capnography", sedated or list(line.restrained), line.handover is None if sedated else still),
        ("oximetry", _oximetry(line), still),
        ("ecg", sedated, line.handover is None),
    ):
        yield _cover(line, name, dated(part(monitoring, name), "start"), list(spell), is_open)


def _oximetry(line: Timeline) -> list[Span]:
    """Restrained time; from control on where a reading was unsafe to attempt before it."""
    unsafe = any(type(v.spo2) is Absent and v.spo2.reason == "unsafe_to_attempt" for v in items(line.vitals))
    return intervals.clip(line.restrained, line.control if unsafe else None, None)


def _draft(line: Timeline, name: str, listed: Any, window: list[Span]) -> Draft:
    member = "vitals" if name.startswith("vitals") else name
    monitoring = line.episode.monitoring
    where = place(line.episode, "monitoring") if type(monitoring) is Absent else place(monitoring, member)
    draft = Draft("gap", name, (where,))
    draft.know(monitor=name, due=bool(intervals.length(window)))
    draft.put("entries_charted", listed if type(listed) is Absent else bool(listed))
    return draft


def _put(draft: Draft, worst: Span | None, is_open: bool) -> Draft:
    gap = worst[1] - worst[0] if worst else 0
    draft.know(longest_gap=gap, longest_gap_so_far=max(0, gap - ROUNDING))
    draft.put("longest_gap_sure", None if is_open else max(0, gap - ROUNDING))
    draft.span = worst
    return draft


def _points(
    line: Timeline, name: str, listed: Any, points: list[int], window: list[Span], is_open: bool, *, whole: bool
) -> Draft:
    """Gaps between entries; ``whole``: the time before the first entry of the window counts too."""
    draft = _draft(line, name, listed, window)
    if type(listed) is Absent:
        draft.unknown(("longest_gap", "longest_gap_sure", "longest_gap_so_far"), listed.state)
        return draft
    found: list[Span] = []
    for span in window:
        found += intervals.between(points, span)
        first = intervals.first_in(points, span)
        if whole:
            found.append((span[0], first if first is not None else span[1]))
    if not whole and window and not found:
        # No set at all in the window: the rule about the first set owns that.
        draft.unknown(("longest_gap", "longest_gap_sure", "longest_gap_so_far"), "missing")
        return draft
    return _put(draft, intervals.longest(found), is_open)


def _cover(line: Timeline, name: str, listed: Any, window: list[Span], is_open: bool) -> Draft:
    """Holes in spans of watching; a span with no end lasts to transfer of care, else to the last entry."""
    draft = _draft(line, name, listed, window)
    if type(listed) is Absent:
        draft.unknown(("longest_gap", "longest_gap_sure", "longest_gap_so_far"), listed.state)
        return draft
    cover = []
    for span in listed:
        start, (end, _) = span.start.epoch, line.end_of(span.end)
        if start is not None and end is not None and end >= start:
            cover.append((start, end))
    draft.evidence["longest_gap_sure"] = draft.evidence["longest_gap_so_far"] = (
        tuple(place(s) for s in listed) or draft.pointers
    )
    return _put(draft, intervals.longest(intervals.holes(window, cover)), is_open)
