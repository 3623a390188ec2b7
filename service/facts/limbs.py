"""One fact a restrained limb: its time, its checks, the gaps between them."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from service.episode import model
from service.episode.kinds import Absent

from . import intervals
from .draft import Draft, state_of
from .model import place
from .timeline import BEFORE_ARRIVAL, ROUNDING, LimbTime, Timeline, items, limb_of, part


def counts_as_check(line: Timeline, check: model.LimbCheck) -> bool:
    """A check that was done, or tried: "unsafe to attempt" counts before control only."""
    if check.not_done != "unsafe_to_attempt":
        return True
    time = check.time.epoch
    return time is not None and line.control is not None and time < line.control


def check_times(line: Timeline, limb: str) -> list[int]:
    """Times of the checks of one limb that count, in order."""
    known = line.check_times.get(limb)
    if known is None:
        known = line.check_times[limb] = [time for time, check in line.checks[limb] if counts_as_check(line, check)]
    return known


def limbs(line: Timeline) -> Iterator[Draft]:
    """One fact for every limb with a device on it in this unit's care."""
    listed = part(line.episode.monitoring, "limb_checks")
    checked = {limb_of(c.side, c.site) for c in items(listed)}
    for limb in line.limbs.values():
        draft = Draft("limb", limb.limb, tuple(place(x) for x in limb.devices))
        draft.put("limb", limb.limb)
        draft.put("device_on", bool(limb.own))
        draft.put("police", bool(limb.police))
        draft.put("on_charted", limb.known)
        draft.put("ended", limb.known and not limb.open)
        ends = [x for device in limb.devices for x in (device.on, device.off)]
        draft.put("restrained", intervals.length(limb.spans) if limb.known else None, state_of(*ends))
        draft.put("checks_listed", listed if isinstance(listed, Absent) else True)
        draft.put("any_limb_checked", listed if isinstance(listed, Absent) else bool(checked & set(line.limbs)))
        draft.put("times_applied", len(limb.own))
        _released(draft, line, limb)
        if limb.spans:
            draft.span = (limb.spans[0][0], limb.spans[-1][1])
        _checks(draft, line, limb, listed)
        yield draft


def _released(draft: Draft, line: Timeline, limb: LimbTime) -> None:
    """Whether a device came off before transfer of care, and whether the chart says why."""
    if line.handover is None:
        draft.unknown(("released_early", "release_reason"), state_of(part(line.episode.handover, "time")))
        return
    early = [x for x in limb.own if (t := x.off.epoch) is not None and t < line.handover]
    draft.put("released_early", bool(early))
    reasons = [x.off_reason for x in early]
    if any(isinstance(r, Absent) and r.state == "missing" for r in reasons):
        draft.put("release_reason", False)
    else:
        unseen = any(isinstance(r, Absent) and r.state == "not_collected" for r in reasons)
        draft.put("release_reason", None if unseen else True, "not_collected")
    silent = [x for x in early if isinstance(x.off_reason, Absent)]
    if early:
        draft.evidence["release_reason"] = tuple(place(x, "off_reason") for x in silent or early)
        first = min(t for x in early if (t := x.off.epoch) is not None)
        draft.spans["release_reason"] = (first, first)


def _checks(draft: Draft, line: Timeline, limb: LimbTime, listed: Any) -> None:
    derived = (
        "first_check",
        "first_check_sure",
        "longest_gap",
        "longest_gap_sure",
        "longest_gap_so_far",
        "arrival_check",
    )
    draft.put("arrival_due", _arrival_due(line, limb))
    if isinstance(listed, Absent):
        draft.unknown(("checks", *derived), listed.state)
        return
    points = check_times(line, limb.limb)
    untimed = [check.time for check in line.untimed_checks[limb.limb] if isinstance(check.time, Absent)]
    at = dict(line.checks[limb.limb])
    draft.evidence["checks"] = (*draft.pointers, place(line.episode.monitoring, "limb_checks"))  # type: ignore[arg-type]
    seen = [t for t in points if intervals.inside(t, limb.spans)] if limb.known else points
    # A check without a time was still charted: it is not "never checked".
    lost = [time for time in untimed if time.state != "missing"]
    count = len(seen) + len(untimed)
    draft.put("checks", None if lost and not seen else count or None, state_of(*lost))
    if not limb.known or not seen:
        ends = [x for device in limb.devices for x in (device.on, device.off)]
        draft.unknown(derived, state_of(*untimed) if untimed else "missing" if limb.known else state_of(*ends))
        return
    firsts, gaps = [], []
    for span in limb.spans:
        first = intervals.first_in(points, span)
        firsts.append((span[0], first if first is not None else span[1]))
        gaps += intervals.between(points, span)
    late = intervals.longest(firsts) or firsts[0]
    draft.put("first_check", late[1] - late[0])
    draft.put("first_check_sure", max(0, late[1] - late[0] - ROUNDING))
    draft.evidence["first_check_sure"] = (*draft.pointers, *((place(at[late[1]]),) if late[1] in at else ()))
    draft.spans["first_check_sure"] = late
    worst = intervals.longest(gaps)
    gap = worst[1] - worst[0] if worst else 0
    draft.put("longest_gap", gap)
    draft.put("longest_gap_so_far", max(0, gap - ROUNDING))
    draft.put("longest_gap_sure", None if limb.open else max(0, gap - ROUNDING))
    for name in ("longest_gap_sure", "longest_gap_so_far"):
        draft.evidence[name] = (*draft.pointers, *(place(at[t]) for t in worst or () if t in at))
        if worst:
            draft.spans[name] = worst
    arrival = _arrival(line)
    if arrival is None:
        draft.put("arrival_check", None)
    else:
        draft.put("arrival_check", intervals.first_in(points, arrival) is not None)
        draft.evidence["arrival_check"] = draft.evidence["checks"]
        draft.spans["arrival_check"] = arrival


def _arrival(line: Timeline) -> intervals.Span | None:
    if line.arrived is None or line.handover is None or line.handover < line.arrived:
        return None
    return (line.arrived - BEFORE_ARRIVAL, line.handover)


def _arrival_due(line: Timeline, limb: LimbTime) -> bool | None:
    if line.arrived is None or not limb.known:
        return None
    return intervals.inside(line.arrived, limb.spans)
