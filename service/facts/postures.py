"""Facts about postures, and about places on which body weight rested."""

from __future__ import annotations

from collections.abc import Iterator

from service.episode.absence import Absent
from service.episode.moment import Moment

from . import intervals
from .builder import FactBuilder
from .entries import items
from .fact import place
from .timeline import ROUNDING, Timeline

#: Systolic pressure in mmHg under which a flat posture has a reason (NEWS2: 3 points up to 90).
LOW_PRESSURE = 90


def _stretch(
    fact: FactBuilder,
    line: Timeline,
    start: int | None,
    end: int | None,
    care: str | Absent,
    times: tuple[Moment | Absent, ...],
) -> None:
    """Set in_care, found_so, end_charted, duration (s) and after_contact_sure (s) of something that lasts."""
    found = care in ("found_at_contact", "before_contact")
    if type(care) is Absent:
        found = start is not None and line.contact is not None and start < line.contact
    fact.know(found_so=found, in_care=not found, end_charted=end is not None)
    fact.derive("duration", None if start is None or end is None else max(0, end - start), *times)
    after = None if end is None or line.contact is None else max(0, end - line.contact)
    fact.set("after_contact_sure", None if after is None else max(0, after - ROUNDING))
    # Without an end it is judged to the last entry; what was over before contact has ended.
    over = care == "before_contact" or (type(times[1]) is Absent and times[1].state != "missing")
    latest = end if end is not None else None if over else line.last
    fact.derive(
        "after_contact_so_far",
        None if latest is None or line.contact is None else max(0, latest - line.contact - ROUNDING),
        *times,
    )
    if start is not None:
        fact.span = (start, end if end is not None else start)


def postures(line: Timeline) -> Iterator[FactBuilder]:
    """One fact a posture; it lasts to its own end, else to the start of the next one."""
    listed = items(line.episode.postures)
    starts = [t for t, _ in line.postures]
    pressures = [
        (t, v.sbp)
        for v in items(line.episode.monitoring.vitals)
        if type(v.sbp) is not Absent and (t := v.time.epoch) is not None
    ]
    for posture in listed:
        fact = FactBuilder("posture", posture.posture, (place(posture),))
        fact.members(posture, line.wanted("posture"))
        start, own_end = posture.start.epoch, posture.end.epoch
        following = next((t for t in starts if start is not None and t > start), None)
        end = own_end if own_end is not None else following
        _stretch(fact, line, start, end, posture.care, (posture.start, posture.end))
        fact.evidence["end_charted"] = (place(posture, "end"),)
        last = end if end is not None else line.care_end
        if start is None:
            fact.unknown(("after_loading", "in_transport", "restrained"), "missing")
        else:
            fact.set("after_loading", None if line.loaded is None else last is None or last > line.loaded)
            fact.set("in_transport", line.in_transport(start, last))
            stretch = (start, last if last is not None else start)
            fact.set("restrained", bool(intervals.clip(line.restrained, *stretch)))
        fact.set("elevation", posture.head_elevation_deg)
        fact.set(
            "low_pressure",
            any(start is not None and abs(t - start) <= 600 and sbp < LOW_PRESSURE for t, sbp in pressures),
        )
        fact.set("reason_charted", type(posture.reason) is not Absent)
        line.set_at(fact, start)
        yield fact


def body_weights(line: Timeline) -> Iterator[FactBuilder]:
    """One fact for each place on which body weight rested."""
    for item in items(line.episode.application.body_weight):
        fact = FactBuilder("body_weight", item.place, (place(item),))
        fact.members(item, line.wanted("body_weight"))
        _stretch(fact, line, item.start.epoch, item.end.epoch, item.care, (item.start, item.end))
        fact.evidence["end_charted"] = (place(item, "end"),)
        yield fact
