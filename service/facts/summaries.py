"""What the record says in summary, held against the entries that it sums up."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping

from service.episode import record
from service.episode.absence import Absent
from service.episode.drugs import DRUGS
from service.episode.member_names import MemberName

from .compared import Compared, Spot
from .entries import items
from .timeline import ROUNDING, Timeline

#: Seconds after a sedative in which trouble may be its adverse effect (common practice: the peak of the drugs given
#: into a muscle lies inside the half hour).
_AFTER_DOSE = 1800
#: Charted events that are adverse effects of sedatives (domain.md 7.3 and 7.4).
_EFFECTS = frozenset({"apnoea", "laryngospasm", "arrest"})
#: The same as complications: an effect that is charted there is charted.
_COMPLICATIONS = frozenset({"laryngospasm", "hypoxia", "hypotension", "cardiac_arrest"})
#: A reading that says the same: (member, lowest value that does not); domain.md 6.10 and 13.
_LOW: tuple[tuple[MemberName, int], ...] = (("spo2", 90), ("sbp", 90), ("rr", 8))
#: Levels of care, the lowest first.
_LEVELS = ("none", "emr", "emt", "aemt", "paramedic", "nurse", "physician")


def _adverse_effects(line: Timeline) -> Iterator[Compared]:
    """A sedative with no adverse effect charted, and trouble soon after it that was not there before."""
    times = sorted(
        ((t, d) for d in items(line.dose_items) if (t := d.time.epoch) is not None and _sedative(d)), key=lambda p: p[0]
    )
    if not times:
        return
    trouble = sorted(_trouble(line), key=lambda p: p[0])
    if any(time <= times[0][0] for time, _ in trouble):
        return  # what was there before the first dose proves nothing of it
    claimed = any(d.adverse_effects for d in items(line.dose_items) if type(d.adverse_effects) is not Absent) or any(
        c.complication in _COMPLICATIONS for c in items(line.episode.injuries.complications)
    )
    for time, dose in times:
        if type(dose.adverse_effects) is Absent:
            continue
        first = next((spot for at, spot in trouble if time < at <= time + _AFTER_DOSE), None)
        spots: tuple[Spot, ...] = ((dose, "adverse_effects"),) if first is None else ((dose, "adverse_effects"), first)
        yield Compared(spots, first is not None and not claimed)
        if first is not None:
            return  # one question for one trouble, at the dose before it


def _sedative(dose: record.Dose) -> bool:
    return dose.drug not in DRUGS or DRUGS[dose.drug].sedative


def _trouble(line: Timeline) -> Iterator[tuple[int, Spot]]:
    for event in items(line.episode.monitoring.events):
        if event.event in _EFFECTS and (time := event.time.epoch) is not None:
            yield time, (event,)
    for time, vital in line.sets:
        for member, limit in _LOW:
            value = getattr(vital, member)
            if type(value) is not Absent and value < limit:
                yield time, (vital, member)


def _highest_level(line: Timeline) -> Iterator[Compared]:
    """The highest level of care aboard, and the levels of everybody in the team."""
    team = line.episode.team
    if type(team) is Absent or team.highest_level not in _LEVELS or not items(team.members):
        return
    levels = [member.level for member in items(team.members)]
    if all(level in _LEVELS for level in levels):
        highest = max(map(_LEVELS.index, levels))
        clash = highest < _LEVELS.index(team.highest_level)
        yield Compared(((team, "highest_level"), (team, "members")), clash)


def _closed(line: Timeline) -> Iterator[Compared]:
    """A chart that was closed before the care that it tells of was over."""
    chart, handover = line.episode.chart, line.episode.handover
    closed, transfer = chart.closed.epoch, handover.time.epoch
    if type(chart) is Absent or type(handover) is Absent:
        return
    if closed is not None and transfer is not None:
        yield Compared(((chart, "closed"), (handover, "time")), closed + ROUNDING < transfer)


#: Name of the comparison -> what makes it.
SUMMARIES: Mapping[str, Callable[[Timeline], Iterable[Compared]]] = {
    "adverse_effects_and_events": _adverse_effects,
    "highest_level_and_team": _highest_level,
    "closed_before_transfer": _closed,
}
