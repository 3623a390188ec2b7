"""Who was with the patient on the way, and with whom the patient was left."""

from __future__ import annotations

from service.episode import record
from service.episode.absence import Absent
from service.episode.drugs import DRUGS, PARENTERAL, ROUTE_GROUP

from . import intervals
from .builder import FactBuilder
from .duties import set_points
from .entries import items
from .fact import place
from .places import at_member
from .timeline import ROUNDING, Timeline

#: Seconds after contact in which one look answers for the time in devices that others had put on (common practice).
TAKING_OVER = 300
#: Levels of care, the least first; AEMT and above may give or watch a sedative somewhere (from memory: the national
#: scope of practice model of 2019 leaves sedation to paramedics, and local protocol decides).
_RANK = ("nobody", "none", "emr", "emt", "other", "aemt", "als")
_ALS = ("paramedic", "nurse", "physician")
_CLINICIANS = ("physician", "nurse", "advanced_practice", "paramedic")


def attendance(fact: FactBuilder, line: Timeline) -> None:
    """Set ``attendant``, ``left_with`` and ``injected_sedative`` of the section transport."""
    transport = line.episode.transport
    levels, ids = transport.attendants, transport.attended_by
    found: list[str] = [*items(levels)]
    if type(levels) is Absent and type(ids) is not Absent:
        by_id = {p.id: p.level for p in items(line.episode.team.members) if isinstance(p.id, str)}
        found = [level if isinstance(level := by_id.get(one), str) else "other" for one in ids]
    if type(levels) is Absent and type(ids) is Absent:
        fact.set("attendant", levels)
    else:
        ranked = ["als" if level in _ALS else level for level in found] or ["nobody"]
        fact.know(attendant=max(ranked, key=_RANK.index))
        fact.evidence["attendant"] = (
            at_member(line.episode, "transport", "attendants" if type(levels) is not Absent else "attended_by"),
        )
    fact.know(injected_sedative=any(_injected(d.drug, d.route) for d in items(line.dose_items)))
    _left_with(fact, line)


def _injected(drug: str, route: str | Absent) -> bool:
    return drug in DRUGS and DRUGS[drug].sedative and (type(route) is Absent or ROUTE_GROUP.get(route) in PARENTERAL)


def _left_with(fact: FactBuilder, line: Timeline) -> None:
    """Set ``left_with``: who had the patient when this unit's care ended."""
    transport, receiver = line.episode.transport, line.episode.handover.receiver_role
    ended = transport.ended
    how = ended.how
    if isinstance(ended, record.EndOfCare) and isinstance(how, str):
        fact.know(left_with={"released_to_law_enforcement": "law_enforcement", "died": "died"}.get(how, "no_clinician"))
        fact.evidence["left_with"] = (place(ended, "how"),)
    elif type(receiver) is not Absent:
        known = {"law_enforcement": "law_enforcement", "other": "other"}
        fact.know(left_with="clinician" if receiver in _CLINICIANS else known[receiver])
        fact.evidence["left_with"] = (at_member(line.episode, "handover", "receiver_role"),)
    elif transport.transported is False and type(line.episode.handover) is Absent:
        died = line.episode.injuries.death.died is True
        fact.know(left_with="died" if died else "no_clinician")
        fact.evidence["left_with"] = (at_member(line.episode, "transport", "transported"),)
    else:
        fact.set("left_with", receiver)


def watch_due_from(line: Timeline) -> int | None:
    """From when watching is due of a patient found in police devices, None where nothing was found or nobody looked.

    Their time runs from contact. One look on taking over answers for it until this unit's own hold or device.
    """
    contact = line.contact
    if contact is None or not any(
        (device.on.epoch or contact) <= contact and line.police_span(device)[0] is not None
        for device in items(line.police_items)
    ):
        return None
    monitoring = line.episode.monitoring
    looks = set_points(line) + [
        t for check in items(monitoring.breathing_checks) if (t := check.time.epoch) is not None
    ]
    looks = [t for t in looks if contact <= t <= contact + TAKING_OVER + ROUNDING]
    if not looks:
        return None
    return min([*line.secured, *(start for start, _ in line.holds)], default=min(looks))


def front_cab_alone(line: Timeline) -> tuple[int | None, tuple[intervals.Span, ...]]:
    """(seconds of the journey, while restrained or sedated, with the attendant charted in the front cab and nowhere
    else, those stretches). None where no observation is charted or the journey has no times."""
    watched = line.episode.monitoring.observation
    end = line.arrived if line.arrived is not None else line.care_end
    if type(watched) is Absent or line.departed is None or end is None or end < line.departed:
        return None, ()
    front: list[intervals.Span] = []
    elsewhere: list[intervals.Span] = []
    for span in watched:
        start, last = span.start.epoch, line.end_of(span.end)[0]
        if start is not None and last is not None and last >= start:
            (front if span.seat == "front_cab" else elsewhere).append((start, last))
    duty = list(line.restrained)
    if line.sedatives:
        duty.append((line.sedatives[0], end))
    due = intervals.clip(intervals.union(duty), line.departed, end)
    in_front = [s for one in intervals.union(front) for s in intervals.clip(due, *one)]
    alone = intervals.holes(in_front, elsewhere)
    return intervals.length(alone), tuple(alone)
