"""One fact for each restrained limb: its time, its checks, the gaps between them."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator
from operator import itemgetter

from service.episode import record
from service.episode.absence import Absent, Partial
from service.episode.moment import Moment

from . import intervals
from .builder import FactBuilder, state_of
from .entries import items
from .fact import Evidence, place
from .responses import Responses
from .timeline import BEFORE_ARRIVAL, ROUNDING, LimbTime, Timeline

#: Attributes that follow from the times of the checks of a limb.
_DERIVED = (
    "first_check",
    "first_check_sure",
    "longest_gap",
    "longest_gap_sure",
    "longest_gap_so_far",
    "arrival_check",
)


def counts_as_check(line: Timeline, check: record.LimbCheck) -> bool:
    """Whether a check was done, or could not be done for a reason that holds: "unsafe to attempt" before control only."""
    if check.not_done != "unsafe_to_attempt":
        return True
    time = check.time.epoch
    return time is not None and line.control is not None and time < line.control


def looked(check: record.LimbCheck) -> bool:
    """Whether the limb was looked at: pulse, refill, movement, feeling or skin is charted (neurovascular card).

    A reason why not stands for movement and feeling only, so an entry that holds nothing else is an attempt
    (St. Vincent 2021: pulse and refill are still expected).
    """
    if type(check.not_done) is Absent:
        return True
    found = (check.pulse, check.cap_refill_s, check.motor, check.sensation, check.skin)
    return any(type(value) is not Absent for value in found)


def check_times(line: Timeline, limb: str) -> list[int]:
    """Times of the checks of one limb that count as done, in order."""
    known = line.check_times.get(limb)
    if known is None:
        known = line.check_times[limb] = [time for time, check in line.checks[limb] if counts_as_check(line, check)]
    return known


def limbs(line: Timeline) -> Iterator[FactBuilder]:
    """One fact for every limb with a device on it in this unit's care."""
    listed = line.episode.monitoring.limb_checks
    checked = any(
        any(looked(c) for _, c in line.checks[limb]) or any(map(looked, line.untimed_checks[limb]))
        for limb in line.limbs
    )
    for limb in line.limbs.values():
        fact = FactBuilder("limb", limb.limb, tuple([place(x) for x in limb.devices]))
        fact.know(
            limb=limb.limb,
            device_on=bool(limb.own),
            police=bool(limb.police),
            on_charted=limb.known,
            ended=limb.known and not limb.open,
            times_applied=len(limb.own),
        )
        if limb.known:
            fact.know(restrained=intervals.length(limb.spans))
        else:
            fact.unknown(("restrained",), state_of(*_ends(limb)))
        if type(listed) is Absent:
            fact.unknown(("checks_listed", "any_limb_checked"), listed.state)
        else:
            fact.know(checks_listed=True, any_limb_checked=checked)
        _released(fact, line, limb)
        if limb.spans:
            fact.span = (limb.spans[0][0], limb.spans[-1][1])
        _checks(fact, line, limb, listed)
        yield fact


def _ends(limb: LimbTime) -> list[Moment | Absent]:
    return [time for device in limb.devices for time in (device.on, device.off)]


def _released(fact: FactBuilder, line: Timeline, limb: LimbTime) -> None:
    """Whether a device came off before transfer of care, and whether the chart says why."""
    if line.care_end is None:
        fact.unknown(("released_early", "release_reason"), state_of(line.episode.handover.time))
        return
    early = [x for x in limb.own if (t := x.off.epoch) is not None and t < line.care_end]
    fact.set("released_early", bool(early))
    if not early:
        fact.know(release_reason=True)
        return
    absent = [x for x in early if type(x.off_reason) is Absent]
    states = {x.off_reason.state for x in absent}  # type: ignore[union-attr]
    if "missing" in states:
        fact.know(release_reason=False)
    else:
        fact.set("release_reason", None if "not_collected" in states else True, "not_collected")
    fact.evidence["release_reason"] = tuple(place(x, "off_reason") for x in absent or early)
    first = min(t for x in early if (t := x.off.epoch) is not None)
    fact.spans["release_reason"] = (first, first)


def _checks(fact: FactBuilder, line: Timeline, limb: LimbTime, listed: tuple[record.LimbCheck, ...] | Absent) -> None:
    fact.set("arrival_due", _arrival_due(line, limb))
    if type(listed) is Absent:
        fact.unknown(("checks", *_DERIVED), listed.state)
        return
    points = check_times(line, limb.limb)
    # A check without a time was still charted: it is not "never checked".
    untimed = [check.time for check in line.untimed_checks[limb.limb]]
    lost = [time for time in untimed if type(time) is Absent and time.state != "missing"]
    where = (*fact.pointers, place(line.episode.monitoring, "limb_checks"))  # type: ignore[arg-type]
    fact.evidence["checks"] = where
    seen = [t for span in limb.spans for t in intervals.among(points, span)] if limb.known else points
    spans = limb.spans if limb.known else (intervals.ALWAYS,)
    entered = [c for span in spans for _, c in intervals.among(line.checks[limb.limb], span, key=itemgetter(0))]
    count = len(entered) + len(untimed)
    done = sum(map(looked, [*entered, *line.untimed_checks[limb.limb]]))
    if isinstance(listed, Partial):
        # The format has no place for checks, and some came all the same: what is not there is not known.
        fact.set("checks", count or None, "not_collected")
        fact.set("checks_done", done or None, "not_collected")
        fact.unknown(_DERIVED, "not_collected")
        return
    fact.set("checks_done", None if lost and not done else done, "not_collected")
    fact.evidence["checks_done"] = tuple([place(c, "not_done") for c in entered]) or where
    if count and (entered or not lost):
        fact.know(checks=count)
    else:
        fact.unknown(("checks",), state_of(*lost))
    if not limb.known or not seen:
        state = state_of(*untimed) if untimed else "missing" if limb.known else state_of(*_ends(limb))
        fact.unknown(_DERIVED, state)
        return
    firsts: list[intervals.Span] = []
    gaps: list[intervals.Span] = []
    secured = {start for start, _ in limb.spans}
    for span in _due(line, limb):
        first = intervals.first_in(points, span)
        if limb.police and span[0] == line.contact:
            # Found in cuffs: one look at either hand on taking over answers for both.
            either = [t for police in line.limbs.values() if police.police for t in check_times(line, police.limb)]
            taken = intervals.first_in(sorted(either), (span[0], min(span[1], span[0] + BEFORE_ARRIVAL)))
            first = first if taken is None or first is None else min(first, taken)
        if first is None:
            gaps.append(span)  # put on again and never checked: a gap, and no first check
            continue
        (firsts if span[0] in secured else gaps).append((span[0], first))
        gaps += intervals.between(points, span)
    worst = intervals.longest(gaps)
    gap = worst[1] - worst[0] if worst else 0
    fact.know(longest_gap=gap, longest_gap_so_far=max(0, gap - ROUNDING))
    fact.set("longest_gap_sure", None if limb.open else max(0, gap - ROUNDING))
    late = intervals.longest(firsts)
    if late is None:
        fact.unknown(("first_check", "first_check_sure"), "missing")
    else:
        fact.know(first_check=late[1] - late[0], first_check_sure=max(0, late[1] - late[0] - ROUNDING))
        fact.evidence["first_check_sure"] = (*where, *_check_at(line, limb, late[1]))
        fact.spans["first_check_sure"] = late
    ends = (*where, *[one for t in worst or () for one in _check_at(line, limb, t)])
    fact.evidence["longest_gap_sure"] = fact.evidence["longest_gap_so_far"] = ends
    if worst:
        fact.spans["longest_gap_sure"] = fact.spans["longest_gap_so_far"] = worst
    arrival = _arrival(line)
    if arrival is None:
        fact.unknown(("arrival_check",), "missing")
    else:
        fact.know(arrival_check=intervals.first_in(points, arrival) is not None)
        fact.evidence["arrival_check"] = where
        fact.spans["arrival_check"] = arrival


def _check_at(line: Timeline, limb: LimbTime, time: int) -> Iterator[Evidence]:
    """The place of the check at a time: of this limb, else of any."""
    for listed in (line.checks[limb.limb], line.all_checks):
        at = bisect_right(listed, time, key=itemgetter(0)) - 1
        if at >= 0 and listed[at][0] == time:
            yield place(listed[at][1])
            return


def _due(line: Timeline, limb: LimbTime) -> list[intervals.Span]:
    """When checks of a limb were due: while it was restrained, but not while CPR went on."""
    return intervals.holes(limb.spans, Responses(line).resuscitation()) if _cpr(line) else list(limb.spans)


def _cpr(line: Timeline) -> bool:
    return any(action.action == "cpr" for action in items(line.episode.monitoring.actions))


def _arrival(line: Timeline) -> intervals.Span | None:
    if line.arrived is None or line.handover is None or line.handover < line.arrived:
        return None
    return (line.arrived - BEFORE_ARRIVAL, line.handover)


def _arrival_due(line: Timeline, limb: LimbTime) -> bool | None:
    if line.arrived is None or not limb.known:
        return None
    return intervals.inside(line.arrived, _due(line, limb))
