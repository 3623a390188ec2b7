"""Facts about each dose, and about all doses of one drug."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterator
from operator import itemgetter

from service.episode import drugs, record
from service.episode.absence import Absent
from service.episode.drugs import DRUGS
from service.episode.member_names import MemberName

from . import scales
from .builder import FactBuilder, scaled, state_of
from .duties import charted_times, set_times
from .entries import items
from .fact import place
from .timeline import ROUNDING, Timeline, parenteral

#: Seconds after a sedative by which an agitation score and a set of vital signs are due.
SCORE_DUE = 15 * 60
VITALS_DUE = 5 * 60


#: Event -> the adverse effect of a dose that says the same.
_EFFECTS = {"arrest": "cardiac_arrest"}


def doses(line: Timeline) -> Iterator[FactBuilder]:
    """One fact a dose, with what stood before and what came after it."""
    episode = line.episode
    weight = episode.patient.weight_kg
    basis = episode.patient.weight_basis
    allergies = episode.patient.allergies
    pressures = sorted(
        (t, v.sbp)
        for v in items(episode.monitoring.vitals)
        if (t := v.time.epoch) is not None and type(v.sbp) is not Absent
    )
    levels = {p.id: p.level for p in items(episode.team.members) if isinstance(p.id, str)}
    intervals_qt = [(t, v) for t, v in line.sets if type(v.qtc_ms) is not Absent]
    depths = [
        (t, v) for t, v in line.sets if scales.moderately_sedated(v.agitation_scale, v.agitation_score) is not None
    ]
    benzodiazepine = any(d.drug in DRUGS and DRUGS[d.drug].family == "benzodiazepine" for d in items(line.dose_items))
    scores = charted_times(line.vitals, ("agitation_score",), line)
    signs = set_times(line)
    given: dict[str, list[tuple[int, str]]] = {}
    for dose in items(line.dose_items):
        if (time := dose.time.epoch) is not None:
            given.setdefault(dose.drug, []).append((time, dose.at))
    for times in given.values():
        times.sort()
    happened = {
        _EFFECTS.get(event.event, event.event): (at, at)
        for event in items(episode.monitoring.events)
        if (at := event.time.epoch) is not None
    }
    for dose in items(line.dose_items):
        fact = FactBuilder("dose", dose.drug, (place(dose),))
        fact.members(dose, line.wanted("dose"))
        for effect in items(dose.adverse_effects):
            # An effect that is charted as an event too happened when the event did.
            if effect in happened:
                fact.spans[f"adverse_effects_has_{effect}"] = happened[effect]
        drug, time = DRUGS.get(dose.drug), dose.time.epoch
        group = None if type(dose.route) is Absent else drugs.ROUTE_GROUP.get(dose.route, "other")
        fact.derive("route_group", group, dose.route)
        for name, known in (
            ("sedative", drug.sedative if drug else None),
            ("by_weight", drug.by_weight if drug else None),
        ):
            fact.set(name, known, "not_collected")
        for family in ("benzodiazepine", "antipsychotic", "opioid"):
            fact.set(family, drug.family == family if drug else None, "not_collected")
        fact.set("qt", drug.qt if drug else None, "not_collected")
        fact.know(with_benzodiazepine=benzodiazepine)
        giver = levels.get(dose.given_by) if isinstance(dose.given_by, str) else dose.given_by
        fact.set("giver_level", giver, "missing")
        _heart(fact, time, intervals_qt)
        _depth(fact, dose, time, depths)
        _amounts(fact, dose, weight)
        fact.set("weight", weight if type(weight) is Absent else scaled(weight, "kg"))
        fact.set("weight_basis", basis)
        number = 0 if time is None else bisect_left(given[dose.drug], (time, dose.at))
        earlier = given[dose.drug][number - 1][0] if number else None
        fact.derive("repeat", None if time is None else earlier is not None, dose.time)
        fact.set("since_same_drug", time - earlier if earlier is not None and time is not None else None)
        number = 0 if time is None else bisect_right(pressures, time, key=itemgetter(0))
        before = pressures[number - 1] if number else None
        fact.set("sbp_before", before[1] if before and (earlier is None or before[0] >= earlier) else None)
        _after(fact, line, time, "score", scores, SCORE_DUE, state_of(dose.time))
        _after(fact, line, time, "vitals", signs, VITALS_DUE, state_of(dose.time))
        fact.set("allergy", allergies if type(allergies) is Absent else dose.drug in allergies)
        mixed = dose.mixed_with
        fact.set("mixed_badly", mixed if type(mixed) is Absent else _mixed_badly({dose.drug, *mixed}))
        if time is not None:
            fact.span = (time, time)
        line.set_at(fact, time)
        yield fact


def _heart(fact: FactBuilder, time: int | None, charted: list[tuple[int, record.VitalSet]]) -> None:
    """Set qtc_before (ms): the last charted before a dose; qtc_after: the longest from it on."""
    before = [v for t, v in charted if time is not None and t < time]
    after = [v for t, v in charted if time is not None and t >= time]
    for name, found in (("qtc_before", before[-1:]), ("qtc_after", after)):
        gravest = max(found, key=lambda vital: vital.qtc_ms, default=None)  # type: ignore[arg-type,return-value]
        fact.set(name, gravest.qtc_ms if gravest else None)
        if gravest:
            fact.evidence[name] = (*fact.pointers, place(gravest, "qtc_ms"))


def _depth(fact: FactBuilder, dose: record.Dose, time: int | None, scored: list[tuple[int, record.VitalSet]]) -> None:
    """Set sedated_before: the last score in the quarter hour before a dose shows no contact by voice.

    A dose against a seizure or for a procedure is not given to calm.
    """
    before = [(t, v) for t, v in scored if time is not None and t <= time]
    if not before or (time is not None and time - before[-1][0] > SCORE_DUE):
        fact.unknown(("sedated_before",), "missing")
        return
    last = before[-1][1]
    deep = scales.moderately_sedated(last.agitation_scale, last.agitation_score) is True
    fact.know(sedated_before=deep and dose.reason not in ("seizure", "procedure"))
    fact.evidence["sedated_before"] = (*fact.pointers, place(last, "agitation_score"))


def _mixed_badly(syringe: set[str]) -> bool:
    return "diphenhydramine" in syringe and bool(syringe & {"haloperidol", "droperidol"})


def _mg_100(dose: record.Dose, kg: float | None) -> int | None:
    """A dose in hundredths of a mg, None where that cannot be told."""
    if type(dose.dose) is Absent or type(dose.unit) is Absent:
        return None
    strength = None if type(dose.concentration_mg_ml) is Absent else dose.concentration_mg_ml
    return drugs.dose_mg_100(dose.dose, dose.unit, kg, strength)


def _amounts(fact: FactBuilder, dose: record.Dose, weight: float | Absent) -> None:
    names = ("mg", "mg_per_kg", "mg_per_kg_tolerant")
    if type(dose.dose) is Absent or type(dose.unit) is Absent:
        fact.unknown(names, state_of(dose.dose, dose.unit))
        return
    kg = None if type(weight) is Absent else weight
    mg = _mg_100(dose, kg)
    fact.set("mg", mg, state_of(weight) if dose.unit in drugs.PER_KG else "not_collected")
    if dose.unit in drugs.PER_KG:
        per_kg: int | None = drugs.half_up(dose.dose * drugs.PER_KG[dose.unit] * 100)
    else:
        per_kg = drugs.per_kg_100(mg, kg) if mg is not None and kg is not None else None
    fact.derive("mg_per_kg", per_kg, weight)
    fact.derive("mg_per_kg_tolerant", None if per_kg is None else drugs.tolerant(per_kg), weight)


def _after(
    fact: FactBuilder, line: Timeline, time: int | None, name: str, listed: list[int] | Absent, due: int, state: str
) -> None:
    """Set <name>_due, <name>_after (s), <name>_after_sure (s) and no_<name>_after: whether something followed a dose.

    ``listed``: the times at which it was charted. ``due``: seconds after the
    dose by which it is due. ``state``: that of the attributes without a time.
    """
    names = (f"{name}_due", f"{name}_after", f"{name}_after_sure", f"no_{name}_after")
    if time is None:
        fact.unknown(names, state)
        return
    if type(listed) is Absent:
        fact.unknown(names[1:], listed.state)
    else:
        number = (bisect_left if name == "vitals" else bisect_right)(listed, time)
        following = listed[number] if number < len(listed) else None
        fact.set(names[1], None if following is None else following - time)
        fact.set(names[2], None if following is None else max(0, following - time - ROUNDING))
        fact.set(names[3], following is None)
        entry: MemberName | None = "agitation_score" if name == "score" else None
        where = (*fact.pointers, place(line.episode.monitoring, "vitals", entry=entry))  # type: ignore[arg-type]
        fact.evidence[names[2]] = fact.evidence[names[3]] = where
    if line.care_end is not None:
        fact.set(names[0], line.care_end - time >= due)
    elif line.last is not None and line.last - time >= due + ROUNDING:
        fact.set(names[0], True)
    else:
        fact.set(names[0], None)


def drug_totals(line: Timeline) -> Iterator[FactBuilder]:
    """One fact for each drug: all its doses together."""
    weight = line.episode.patient.weight_kg
    kg = None if type(weight) is Absent else weight
    by_drug: dict[str, list[record.Dose]] = {}
    for dose in items(line.dose_items):
        by_drug.setdefault(dose.drug, []).append(dose)
    benzodiazepines = [
        parenteral(d.route)
        for name, given in by_drug.items()
        if name in DRUGS and DRUGS[name].family == "benzodiazepine"
        for d in given
    ]
    for name, given in by_drug.items():
        fact = FactBuilder("drug", name, tuple(place(d) for d in given))
        fact.know(drug=name, doses=len(given))
        amounts = [_mg_100(dose, kg) for dose in given]
        routes = [None if type(d.route) is Absent else drugs.ROUTE_GROUP.get(d.route, "other") for d in given]
        inputs = [x for d in given for x in (d.dose, d.unit)]
        fact.derive("total", None if None in amounts else sum(a or 0 for a in amounts), *inputs, weight)
        im = [a for a, r in zip(amounts, routes, strict=True) if r == "im"]
        ways = [d.route for d in given]
        fact.set(
            "total_im",
            None if None in routes or None in im else sum(a or 0 for a in im),
            state_of(*ways) if None in routes else state_of(*inputs, weight),
        )
        at = sorted(t for d in given if (t := d.time.epoch) is not None)
        gaps = [b - a for a, b in zip(at, at[1:], strict=False)]
        fact.set("shortest_interval", min(gaps) if gaps and len(at) == len(given) else None)
        fact.derive("im", True if "im" in routes else None if None in routes else False, *ways)
        fact.set(
            "with_parenteral_benzodiazepine",
            True if True in benzodiazepines else None if None in benzodiazepines else False,
        )
        if at:
            fact.span = (at[0], at[-1])
        yield fact
