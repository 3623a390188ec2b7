"""What the narrative tells, held against the record.

A fact of kind ``phrase`` for each thing told: its family, its part where the
family has parts, the drug or vital sign where one is named. ``in_record`` says
whether some entry tells the same. A fact of kind ``pair`` where the narrative
and an entry can be held against each other. Nothing is ever filled in from
text, and a thing that is not told proves nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import accumulate
from typing import Any, NamedTuple, cast

from service.episode import record
from service.episode.absence import Absent
from service.episode.drugs import MG, ROUTE_GROUP
from service.episode.member_names import MemberName
from service.narrative.numbers import Dose, Vital
from service.narrative.reader import AFFIRMED, NEGATED, Hit

from .builder import FactBuilder
from .charted import CHARTED, Charted, after_seizure, any_of, left_alone, listed
from .entries import items
from .fact import Evidence, place
from .timeline import Timeline

#: A vital sign told with a time is looked for in sets so many minutes around it.
NEAR_MINUTES = 5
_DAY = 24 * 60


def _locked(line: Timeline, hits: Sequence[Hit]) -> bool:
    """Whether a device of law enforcement or one with a lock is charted or told."""
    locked = listed(line, "application", "limbs", lambda limb: limb.device == "key_locked")
    told = any(
        hit.family == "device" and hit.part in ("restraint", "leather") and hit.assertion == AFFIRMED for hit in hits
    )
    return told or bool(listed(line, "custody", "devices", lambda device: True).answer or locked.answer)


def _drug(line: Timeline, drug: str | None) -> Charted:
    def told(item: Any) -> bool:
        mixed = getattr(item, "mixed_with", ())
        return drug is None or item.drug == drug or (type(mixed) is tuple and drug in mixed)

    return any_of(listed(line, "sedation", "doses", told), listed(line, "sedation", "not_given", told))


def _sets_near(line: Timeline, vital: Vital) -> list[record.VitalSet]:
    """The sets around the told time that hold the told vital sign."""
    found: list[record.VitalSet] = []
    if vital.clock is None:
        return found
    for minute, one in line.sets_by_clock:
        apart = abs(minute - vital.clock) % _DAY
        if min(apart, _DAY - apart) <= NEAR_MINUTES and type(getattr(one, vital.member)) is not Absent:
            found.append(one)
    return found


def _vital(line: Timeline, hits: Sequence[Hit]) -> Charted:
    sets = listed(line, "monitoring", "vitals", lambda one: False)
    if sets.answer is None:
        return sets
    for hit in hits:
        if isinstance(hit.reading, Vital) and hit.assertion == AFFIRMED and not _sets_near(line, hit.reading):
            return sets
    return Charted(True, "recorded", sets.places)


def _key(hit: Hit) -> str:
    """What tells the facts of one narrative apart: family, part, drug or vital sign."""
    detail = hit.part
    if isinstance(hit.reading, Dose):
        detail = hit.reading.drug
    elif isinstance(hit.reading, Vital):
        detail = hit.reading.member
    return f"{hit.family}:{detail}" if detail else hit.family


def _places(line: Timeline, hits: Iterable[Hit]) -> tuple[Evidence, ...]:
    return tuple(place(line.episode, "narrative", chars=hit.chars) for hit in hits)


def phrases(line: Timeline, hits: Sequence[Hit]) -> Iterator[FactBuilder]:
    """One fact for each thing told. A vital sign is one only with its time."""
    grouped: dict[str, list[Hit]] = {}
    for hit in hits:
        if hit.family != "vital" or (isinstance(hit.reading, Vital) and hit.reading.clock is not None):
            grouped.setdefault(_key(hit), []).append(hit)
    for key, group in grouped.items():
        affirmed = [hit for hit in group if hit.assertion == AFFIRMED]
        charted = _charted(line, group, hits)
        fact = FactBuilder("phrase", key, _places(line, group))
        fact.know(
            family=group[0].family,
            told=f"told_{group[0].family}",
            affirmed=len(affirmed),
        )
        if group[0].part:
            fact.set("part", group[0].part)
        fact.set("in_record", charted.answer, charted.state)
        if affirmed:
            fact.evidence["affirmed"] = _places(line, affirmed)
        fact.evidence["in_record"] = charted.places
        yield fact


def _charted(line: Timeline, group: Sequence[Hit], hits: Sequence[Hit]) -> Charted:
    first = group[0]
    if first.family == "key" and not _locked(line, hits):
        return Charted(None, "missing", ())  # without a lock nobody needs a key
    if first.family == "drug":
        return _drug(line, first.reading.drug if isinstance(first.reading, Dose) else None)
    if first.family == "vital":
        return _vital(line, group)
    answers = CHARTED.get((first.family, first.part))
    charted = answers(line) if answers is not None else Charted(None, "missing", ())
    if first.family == "breathing" and not charted.answer and _only_at_contact(group):
        # Snoring of a patient who is found after a seizure: the airway care is the entry.
        seen = after_seizure(line)
        return seen if seen.answer else charted
    return charted


def _only_at_contact(hits: Iterable[Hit]) -> bool:
    return all(hit.when == "before_contact" for hit in hits if hit.assertion == AFFIRMED)


# ------------------------------------------------------------ narrative and record held against each other


class _Against(NamedTuple):
    """A comparison: hits of the narrative, places of the record, and whether they disagree."""

    pair: str
    hits: Sequence[Hit]
    places: tuple[Evidence, ...]
    disagrees: bool


def _doses(line: Timeline, hits: Sequence[Hit]) -> Iterator[_Against]:
    for hit in hits:
        told = hit.reading
        if hit.assertion != AFFIRMED or not isinstance(told, Dose) or told.mg is None or told.per_kg:
            continue
        of_drug = [dose for dose in items(line.dose_items) if dose.drug == told.drug]
        given = [_mg(dose) for dose in of_drug if told.route is None or _same_route(told.route, dose.route)]
        if not of_drug or None in given:
            continue
        known = [mg for mg in given if mg is not None]
        sums = {*known, *accumulate(known)}
        apart = not any(abs(mg - told.mg) < 0.005 for mg in sums)
        yield _Against("dose_and_narrative", [hit], tuple(place(dose, "dose") for dose in of_drug), apart)


def _mg(dose: record.Dose) -> float | None:
    if type(dose.dose) is Absent or type(dose.unit) is Absent or dose.unit not in MG:
        return None
    return dose.dose * MG[dose.unit]


def _same_route(told: str, route: str | Absent) -> bool:
    return type(route) is Absent or ROUTE_GROUP.get(route) == ROUTE_GROUP.get(told)


def _vitals(line: Timeline, hits: Sequence[Hit]) -> Iterator[_Against]:
    for hit in hits:
        told = hit.reading
        if hit.assertion != AFFIRMED or not isinstance(told, Vital):
            continue
        near = _sets_near(line, told)
        if near:
            apart = not any(abs(getattr(one, told.member) - told.value) < 0.5 for one in near)
            yield _Against(
                "vital_and_narrative", [hit], tuple(place(one, cast(MemberName, told.member)) for one in near), apart
            )


def _denied(hits: Sequence[Hit]) -> list[Hit]:
    """The denials of a family that the narrative nowhere affirms, and that are not about the time before contact."""
    if any(hit.assertion == AFFIRMED for hit in hits):
        return []
    return [hit for hit in hits if hit.assertion == NEGATED and hit.when != "before_contact"]


def _drug_denied(line: Timeline, hits: Sequence[Hit]) -> Iterator[_Against]:
    for drug in dict.fromkeys(hit.reading.drug if isinstance(hit.reading, Dose) else None for hit in hits):
        of_drug = [h for h in hits if drug is None or (isinstance(h.reading, Dose) and h.reading.drug == drug)]
        given = [dose for dose in items(line.dose_items) if drug in (None, dose.drug)]
        denied = _denied(of_drug)
        if denied and type(line.dose_items) is not Absent:
            places = tuple(place(dose) for dose in given) or (place(line.episode, "sedation"),)
            yield _Against("drug_denied", denied, places, bool(given))


def _posture_denied(line: Timeline, hits: Sequence[Hit]) -> Iterator[_Against]:
    postures = line.episode.postures
    denied = _denied(hits)
    if denied and type(postures) is not Absent:
        ours = [p for p in postures if p.posture == "prone" and p.care not in ("found_at_contact", "before_contact")]
        places = tuple(place(p) for p in ours) or (place(line.episode, "postures"),)
        yield _Against("position_denied", denied, places, bool(ours))


def _injury_denied(line: Timeline, hits: Sequence[Hit]) -> Iterator[_Against]:
    charted = listed(line, "injuries", "patient", lambda injury: injury.when in ("during_restraint", "transport"))
    denied = _denied(hits)
    if denied and charted.state == "recorded":
        yield _Against("injury_denied", denied, charted.places, bool(charted.answer))


def _alone_and_watched(line: Timeline, hits: Sequence[Hit]) -> Iterator[_Against]:
    affirmed = [hit for hit in hits if hit.assertion == AFFIRMED]
    watched = listed(line, "monitoring", "observation", lambda span: span.seat != "front_cab")
    if affirmed and watched.answer:
        yield _Against("left_alone_and_observation", affirmed, watched.places, not left_alone(line).answer)


def _not_checked_and_checks(line: Timeline, hits: Sequence[Hit]) -> Iterator[_Against]:
    affirmed = [hit for hit in hits if hit.assertion == AFFIRMED]
    listed = line.episode.monitoring.limb_checks
    if affirmed and type(listed) is not Absent:
        done = [check for check in listed if type(check.not_done) is Absent]
        left = [check for check in listed if type(check.not_done) is not Absent]
        places = tuple(place(check) for check in done or left) or (place(line.episode, "monitoring"),)
        yield _Against("not_checked_and_limb_checks", affirmed, places, bool(done) and not left)


def _capacity(line: Timeline, hits: Sequence[Hit]) -> Iterator[_Against]:
    decision = line.episode.decision
    if type(decision) is Absent or type(decision.capacity) is Absent or decision.capacity == "unclear":
        return
    told = [hit for hit in hits if hit.assertion == AFFIRMED and hit.part in ("has", "lacks")]
    if told and len({hit.part for hit in told}) == 1:
        if told[0].part == "has" and line.episode.transport.ended.how == "refused":
            return  # the narrative judges the refusal, the record the restraint before it
        apart = (told[0].part == "has") != (decision.capacity == "present")
        yield _Against("capacity_and_narrative", told, (place(decision, "capacity"),), apart)


def _not_told_and_told(line: Timeline, hits: Sequence[Hit]) -> Iterator[_Against]:
    handover = line.episode.handover
    affirmed = [hit for hit in hits if hit.assertion == AFFIRMED]
    if affirmed and type(handover) is not Absent and type(handover.told) is not Absent:
        yield _Against("not_told_and_told", affirmed, (place(handover, "told"),), bool(handover.told))


_AGAINST: tuple[tuple[str, Callable[[Timeline, Sequence[Hit]], Iterator[_Against]]], ...] = (
    ("drug", _doses),
    ("drug", _drug_denied),
    ("vital", _vitals),
    ("position", _posture_denied),
    ("injury_patient", _injury_denied),
    ("left_alone", _alone_and_watched),
    ("limb_not_checked", _not_checked_and_checks),
    ("capacity", _capacity),
    ("not_told", _not_told_and_told),
)


def pairs(line: Timeline, hits: Sequence[Hit]) -> Iterator[FactBuilder]:
    """One fact for each disagreement of narrative and record, or one for a comparison without any."""
    families: dict[str, list[Hit]] = {}
    for hit in hits:
        families.setdefault(hit.family, []).append(hit)
    for family, compare in _AGAINST:
        if family not in families:
            continue
        found = list(compare(line, families[family]))
        for one in [against for against in found if against.disagrees] or found[:1]:
            fact = FactBuilder("pair", one.pair, (*_places(line, one.hits), *one.places))
            fact.know(pair=one.pair, disagrees=one.disagrees)
            yield fact
