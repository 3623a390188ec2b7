"""The ``ep_`` attributes: what every fact can carry of the whole episode."""

from __future__ import annotations

from service.episode import record
from service.episode.absence import Absent
from service.episode.drugs import DRUGS

from . import intervals
from .builder import FactBuilder
from .entries import items
from .fact import Scalar
from .timeline import NO_OUTPUT, Timeline, applied_here


def shared(line: Timeline) -> tuple[dict[str, Scalar], dict[str, str]]:
    """(values, states) of the ``ep_`` attributes, which every fact can carry."""
    fact = FactBuilder("", "")
    episode = line.episode
    patient = episode.patient
    _age(fact, patient.age)
    sex, pregnant = patient.sex, patient.pregnant
    fact.set("ep_sex", sex)
    fact.set("ep_head_injury", _head_injury(episode))
    fact.set("ep_pregnant", False if type(pregnant) is Absent and sex == "male" else pregnant)
    fact.set("ep_gestation_weeks", patient.gestation_weeks)
    transported = episode.transport.transported
    if type(transported) is Absent and (line.departed is not None or line.arrived is not None):
        fact.set("ep_transported", True)
    else:
        fact.set("ep_transported", transported)
    fact.set("ep_handed_over", line.handover is not None)
    fact.set("ep_harmed", _harmed(line))
    fact.set("ep_no_transfer", _no_transfer(episode))
    fact.set("ep_infection", _infection(episode))
    fact.set("ep_weight_needed", any(d.drug in DRUGS and DRUGS[d.drug].by_weight for d in items(line.dose_items)))
    present = episode.custody.law_enforcement_present
    fact.set("ep_police", True if items(line.police_items) else present)
    fact.set("ep_in_custody", episode.custody.in_custody)
    own = line.limb_items if type(line.limb_items) is Absent else bool(line.limb_items)
    holds = episode.application.holds
    held = holds if type(holds) is Absent else bool(holds)
    police = line.police_items if type(line.police_items) is Absent else any(x.police for x in line.limbs.values())
    fact.set("ep_device", own)
    fact.set("ep_hold", held)
    fact.set("ep_police_device", police)
    fact.set("ep_by_others", _by_others(line, own, held, police))
    listed = items(line.limb_items)
    fact.set("ep_taken_over", bool(listed) and not items(holds) and not any(applied_here(i) for i in listed))
    if True in (own, held, police):
        fact.set("ep_physical", True)
    elif any(type(x) is Absent for x in (own, held, police)):
        fact.derive("ep_physical", None, own, held, police)
    else:
        fact.set("ep_physical", False)
    sedated = any(d.drug not in DRUGS or DRUGS[d.drug].sedative for d in items(line.dose_items))
    fact.set("ep_sedated", line.dose_items if type(line.dose_items) is Absent else sedated)
    fact.set("ep_level", episode.team.highest_level)
    count = len(line.limbs) if type(line.limb_items) is not Absent else line.limb_items
    fact.set("ep_limbs_restrained", count)
    target = patient.oxygen_target
    # Scale 2 only when the target is charted: without it the stricter limits hold.
    fact.set("ep_scale2", target == "88-92")
    substances = patient.substances
    if type(substances) is Absent:
        fact.unknown(("ep_depressant", "ep_stimulant"), substances.state)
    else:
        on_board = {s.substance for s in substances}
        fact.set("ep_depressant", bool(on_board & {"alcohol", "opioid", "benzodiazepine", "other_sedative"}))
        fact.set("ep_stimulant", "stimulant" in on_board)
    direction = episode.decision.medical_direction
    contacted = direction.contacted
    fact.set("ep_medical_direction", contacted)
    fact.set("ep_capacity", episode.decision.capacity)
    _conditions(fact, patient.conditions)
    return fact.values, fact.states


def _by_others(line: Timeline, own: object, held: object, police: object) -> bool:
    """Whether another restraint is charted, and nothing that speaks of a device of this unit.

    Police devices, a hold by hand or a sedative; no list of own devices, no end of securing them, and no limb check
    but those of limbs in police devices.
    """
    if type(own) is not Absent or type(line.episode.application.completed) is not Absent:
        return False
    spans = {name: limb.spans for name, limb in line.limbs.items()}
    others = all(intervals.inside(t, spans.get(limb, ())) for limb, found in line.checks.items() for t, _ in found)
    return others and (police is True or held is True or bool(line.sedatives))


def _no_transfer(episode: record.Episode) -> bool:
    """Whether care ended without a transfer: so charted, or not transported or died, and no transfer is charted."""
    if type(episode.handover) is not Absent:
        return False
    ended = episode.transport.ended
    return (
        type(ended.how) is not Absent
        or type(ended.time) is not Absent
        or episode.transport.transported is False
        or episode.injuries.death.died is True
    )


def _head_injury(episode: record.Episode) -> bool:
    """Whether a head injury is charted: as an injury, or as a cause that was found."""
    return any(injury.kind == "head_injury" for injury in items(episode.injuries.patient)) or any(
        cause.cause == "head_injury" and cause.result in ("found", "treated")
        for cause in items(episode.decision.causes)
    )


def _infection(episode: record.Episode) -> bool:
    """Whether an infection is charted, as a condition or as a cause that was found."""
    return "infection" in items(episode.patient.conditions) or any(
        cause.cause == "infection" and cause.result == "found" for cause in items(episode.decision.causes)
    )


def _harmed(line: Timeline) -> bool:
    """Whether death, arrest or an injury of the patient is charted: what lacks then is no question to the author."""
    episode = line.episode
    injuries = episode.injuries
    return (
        injuries.death.died is True
        or episode.transport.ended.how == "died"
        or any(event.event == "arrest" for event in items(episode.monitoring.events))
        or any(vital.hr == 0 or vital.rhythm in NO_OUTPUT for _, vital in line.sets)
        or any(c.complication == "cardiac_arrest" for c in items(injuries.complications))
        or any(injury.when in ("during_restraint", "transport") for injury in items(injuries.patient))
    )


#: Years that stand for an age that is not charted where the limits of adults hold.
GROWN = 120


def _age(fact: FactBuilder, age: record.Age | Absent) -> None:
    if type(age) is Absent:
        fact.unknown(("ep_age_years", "ep_age_months"), age.state)
        fact.set("ep_age_or_grown", GROWN)
        return
    months = {"a": age.value * 12, "mo": age.value, "wk": age.value * 7 // 30, "d": age.value // 30}[age.unit]
    fact.set("ep_age_years", months // 12)
    fact.set("ep_age_months", months)
    fact.set("ep_age_or_grown", months // 12)


def _conditions(fact: FactBuilder, conditions: tuple[str, ...] | Absent) -> None:
    groups = {
        "asthma": {"asthma", "copd"},
        "long_qt": {"long_qt"},
        "seizure": {"seizure_disorder"},
        "sleep_apnoea": {"sleep_apnoea"},
        "heart": {"coronary_disease", "recent_mi", "heart_failure"},
        "stroke": {"stroke"},
        "spine": {"spinal_injury"},
        "fistula": {"fistula"},
    }
    for name, words in groups.items():
        known = conditions if type(conditions) is Absent else bool(words & set(conditions))
        fact.set(f"ep_condition_{name}", known)
