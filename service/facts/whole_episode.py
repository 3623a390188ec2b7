"""The one fact about the episode as a whole."""

from __future__ import annotations

from typing import Any

from service.episode import declaration, record
from service.episode.absence import Absent
from service.episode.drugs import DRUGS
from service.episode.member_names import MemberName

from . import intervals
from .application import application
from .builder import FactBuilder, state_of
from .calm import calm_time
from .entries import items
from .fact import Evidence, place
from .places import at_member, where
from .team import team
from .timeline import LATE, ROUNDING, Timeline
from .vital_signs import FROM_VITALS, vital_signs

_CAUSES = ("head_injury", "stroke", "seizure", "substances")
_TOLD = (
    "glucose", "injuries", "events", "sedation", "restraint", "police_devices", "energy_weapon", "irritant", "face_cover",
)  # fmt: skip
#: Events that the next clinician acts on (common practice). An arrest is asked about by itself.
_TO_TELL = frozenset(
    {
        "suddenly_quiet",
        "stopped_struggling",
        "breathing_complaint",
        "apnoea",
        "seizure",
        "vomiting",
        "bleeding",
        "laryngospasm",
        "fall",
        "left_unattended",
    }
)
#: Member of a set -> the value under which it is told: SpO2 in percent, breaths a minute, systolic mmHg (adults).
_LOW: tuple[tuple[MemberName, int], ...] = (("spo2", 90), ("rr", 8), ("sbp", 80))
#: Attribute -> its place, whatever its state: (section, member of it or None).
_STANDS: dict[str, tuple[MemberName, MemberName | None]] = {
    "posture_while_restrained": ("postures", None),
    "hip_belt": ("stretcher", "belts"),
    "knee_belt": ("stretcher", "belts"),
    **dict.fromkeys(
        (f"{cause}_considered" for cause in _CAUSES),
        ("decision", "causes"),
    ),
    "weight_charted": ("patient", "weight_kg"),
    "sedation_considered": ("sedation", None),
    **dict.fromkeys(FROM_VITALS, ("monitoring", "vitals")),
    **dict.fromkeys((f"{name}_told" for name in _TOLD), ("handover", "told")),
    "arrest": ("monitoring", "events"),
    "event_to_tell": ("monitoring", "events"),
    "face_covered": ("custody", "face_covers"),
    "patient_injured": ("injuries", "patient"),
    "died": ("injuries", "death"),
    "irritant_used": ("custody", "irritant"),
    "irritant_watched": ("custody", "irritant"),
    "energy_weapon_trigger": ("custody", "energy_weapon"),
    "energy_weapon_used": ("custody", "energy_weapon"),
    "reassessments": ("reassessments", None),
}


#: Attribute -> the list of spans in which an answer may stand too.
_WATCHED_IN: dict[str, MemberName] = {
    "etco2_after_sedation": "capnography",
    "ecg_after_sedation": "ecg",
    "ecg_after_antipsychotic": "ecg",
}


class _Places(dict[str, tuple[Evidence, ...]]):
    """The evidence of the attributes; what ``_STANDS`` says is made into a place when a finding asks for it."""

    def __init__(self, episode: record.Episode) -> None:
        super().__init__()
        self._episode = episode

    def get(self, attribute: str, default: Any = None) -> Any:
        """The places of an attribute, else ``default``."""
        if attribute in self or attribute not in _STANDS:
            return super().get(attribute, default)
        first = at_member(self._episode, *_STANDS[attribute], entry=FROM_VITALS.get(attribute))
        span = _WATCHED_IN.get(attribute)
        return (first,) if span is None else (first, at_member(self._episode, "monitoring", span))


def episode_fact(line: Timeline, shared: dict[str, Any]) -> FactBuilder:
    """The fact: everything that needs more than one item or section. ``shared``: the ``ep_`` attributes that are known."""
    episode = line.episode
    fact = FactBuilder("episode", "episode", (place(episode),))
    fact.evidence = _Places(episode)
    _time(fact, line)
    _posture(fact, line)
    team(fact, line)
    application(fact, line)
    _belts(fact, line)
    _causes(fact, line)
    _sedation(fact, line)
    vital_signs(fact, line, shared)
    _handover(fact, line)
    _record(fact, episode, line)
    acts = episode.decision.behaviours
    fact.set("act_of_danger", acts if type(acts) is Absent else any(act.behaviour != "other" for act in acts))
    fact.evidence["act_of_danger"] = (at_member(episode, "decision", "behaviours"),)
    age = shared.get("ep_age_years")
    fact.derive("minor", None if age is None else age < 18, episode.patient.age)
    return fact


def _posture(fact: FactBuilder, line: Timeline) -> None:
    listed = line.episode.postures
    if type(listed) is Absent or not line.restrained:
        fact.set("posture_while_restrained", listed if type(listed) is Absent else None)
        return
    spans = []
    for start, posture in line.postures:
        end = posture.end.epoch or next((t for t, _ in line.postures if t > start), line.last)
        spans.append((start, end if end is not None else start))
    fact.derive(
        "posture_while_restrained",
        any(intervals.length(intervals.clip(line.restrained, *span)) for span in spans) if spans else None,
        *(p.start for p in listed),
    )


def _time(fact: FactBuilder, line: Timeline) -> None:
    known = all(part.known for part in line.parts.values())
    total = intervals.length(line.restrained)
    if not line.restrained or not known:
        fact.unknown(("restrained", "restrained_sure", "restrained_so_far"), state_of(line.limb_items))
        return
    fact.know(restrained=total, restrained_so_far=max(0, total - ROUNDING))
    fact.set("restrained_sure", None if line.open else max(0, total - ROUNDING))
    where(fact, ("restrained", "restrained_sure", "restrained_so_far"), line.episode, "application")
    fact.span = (line.restrained[0][0], line.restrained[-1][1])


def _belts(fact: FactBuilder, line: Timeline) -> None:
    belts = line.episode.stretcher.belts
    if type(belts) is Absent:
        fact.unknown(("hip_belt", "knee_belt"), belts.state)
        return
    spots = {belt.place for belt in belts}
    fact.know(hip_belt="hips" in spots, knee_belt="above_knees" in spots)


def _causes(fact: FactBuilder, line: Timeline) -> None:
    causes = line.episode.decision.causes
    if type(causes) is Absent:
        fact.unknown([f"{cause}_considered" for cause in _CAUSES], causes.state)
        return
    looked = {cause.cause for cause in causes}
    fact.values.update({f"{cause}_considered": cause in looked for cause in _CAUSES})


def _sedation(fact: FactBuilder, line: Timeline) -> None:
    episode = line.episode
    doses = line.dose_items
    names = ("sedatives", "sedative_doses", "qt_drugs", "antipsychotic", "ketamine", "weight_needed")
    not_given = episode.sedation.not_given
    weight = episode.patient.weight_kg
    fact.set(
        "weight_charted",
        weight
        if type(weight) is Absent and weight.state == "not_collected"
        else type(weight) is not Absent or weight.state == "declined",
    )
    if type(doses) is Absent:
        fact.unknown((*names, "complications_charted"), doses.state)
        fact.set("sedation_considered", True if items(not_given) else None, doses.state)
        return
    given = [DRUGS[d.drug] for d in doses if d.drug in DRUGS]
    sedatives = [d for d in doses if d.drug in DRUGS and DRUGS[d.drug].sedative]
    for name, chosen in (
        ("sedatives", sedatives),
        ("sedative_doses", sedatives),
        ("qt_drugs", [d for d in doses if d.drug in DRUGS and DRUGS[d.drug].qt]),
        ("antipsychotic", [d for d in doses if d.drug in DRUGS and DRUGS[d.drug].family == "antipsychotic"]),
        ("ketamine", [d for d in doses if d.drug == "ketamine"]),
        (
            "weight_needed",
            [d for d in doses if (d.drug in DRUGS and DRUGS[d.drug].by_weight) or d.unit in ("mg/kg", "ug/kg")],
        ),
    ):
        fact.evidence[name] = tuple(place(d) for d in chosen)
    names_given = {d.drug for d in doses}
    fact.know(
        sedatives=len({d.drug for d in sedatives}),
        sedative_doses=len(sedatives),
        qt_drugs=len({name for name in names_given if name in DRUGS and DRUGS[name].qt}),
        antipsychotic=not names_given.isdisjoint(("haloperidol", "droperidol", "ziprasidone")),
        ketamine="ketamine" in names_given,
        weight_needed=any(drug.by_weight for drug in given) or any(d.unit in ("mg/kg", "ug/kg") for d in doses),
    )
    if doses or not_given:
        fact.set("sedation_considered", True)
    elif type(not_given) is Absent and not_given.state == "not_collected":
        fact.set("sedation_considered", None, "not_collected")
    else:
        fact.set("sedation_considered", False)
    _complications(fact, episode, [d for d in doses if d.drug == "ketamine"])


def _complications(fact: FactBuilder, episode: record.Episode, ketamine: list[record.Dose]) -> None:
    """Set ``complications_charted``: by the list of complications, or by the adverse effects of every ketamine dose."""
    listed = episode.injuries.complications
    effects = [d.adverse_effects for d in ketamine]
    where(fact, ("complications_charted",), episode, "injuries", "complications")
    if type(listed) is not Absent or (
        ketamine and all(type(e) is not Absent or e.state == "declined" for e in effects)
    ):
        fact.set("complications_charted", True)
    elif listed.state == "not_collected" and all(type(e) is Absent and e.state == "not_collected" for e in effects):
        fact.set("complications_charted", None, "not_collected")
    else:
        fact.set("complications_charted", listed.state == "declined")


def _handover(fact: FactBuilder, line: Timeline) -> None:
    episode = line.episode
    told = episode.handover.told
    if type(told) is Absent:
        fact.unknown([f"{word}_told" for word in _TOLD], told.state)
    else:
        fact.values.update({f"{word}_told": word in told for word in _TOLD})
    low = [(v, name) for t, v in line.sets if line.ours(v.before_care, t) for name in _low_members(v)]
    fact.set("low_reading", line.vitals if type(line.vitals) is Absent else bool(low))
    if low:
        fact.evidence["low_reading"] = (place(*low[0]),)
    fact.set("readings_told", told if type(told) is Absent else not {"vital_signs", "events"}.isdisjoint(told))
    fact.evidence["readings_told"] = (at_member(episode, "handover", "told"),)
    events = episode.monitoring.events
    worst = [e for e in items(events) if e.event in _TO_TELL and e.before_care is not True]
    fact.set("event_to_tell", events if type(events) is Absent else bool(worst))
    if worst:
        fact.evidence["event_to_tell"] = tuple(place(event) for event in worst)
    devices = episode.custody.devices
    riding = [line.in_transport(d.on.epoch or 0, d.off.epoch) for d in items(devices)]
    on_the_way = True if True in riding else None if None in riding else False
    fact.set("police_device_on_the_way", devices if type(devices) is Absent else on_the_way)
    fact.evidence["police_device_on_the_way"] = (at_member(episode, "custody", "devices"),)
    covers = episode.custody.face_covers
    fact.set("face_covered", covers if type(covers) is Absent else bool(covers))
    fact.set("arrest", events if type(events) is Absent else any(e.event == "arrest" for e in events))
    patient = episode.injuries.patient
    fact.set("patient_injured", patient if type(patient) is Absent else any(map(_to_tell, patient)))
    death = episode.injuries.death
    fact.set("died", death.died)
    spray = episode.custody.irritant
    fact.set("irritant_used", spray.used)
    since = spray.time.epoch
    since = line.contact if since is None else since
    fact.set("irritant_watched", None if since is None or line.care_end is None else max(0, line.care_end - since))
    weapon = episode.custody.energy_weapon
    fact.set("energy_weapon_used", weapon if type(weapon) is Absent else weapon.used)
    if type(weapon) is Absent:
        fact.set("energy_weapon_trigger", weapon)
    elif weapon.used is not True:
        fact.set("energy_weapon_trigger", weapon.used)
    else:
        limits = ((weapon.cycles, 3), (weapon.weapons, 1), (weapon.longest_cycle_s, 15))
        over = [None if type(v) is Absent else v > limit for v, limit in limits]
        fact.derive(
            "energy_weapon_trigger", True if True in over else None if None in over else False, *(v for v, _ in limits)
        )


def _low_members(vital: record.VitalSet) -> list[MemberName]:
    """The members of a set with a value that the next clinician has to hear of (the limits of the rules on dangers)."""
    return [name for name, limit in _LOW if type(value := getattr(vital, name)) is not Absent and value < limit]


def _to_tell(injury: record.Injury) -> bool:
    """An injury of this call, and one from before it that the hospital has to look at."""
    return injury.when in ("during_restraint", "transport") or injury.kind in ("head_injury", "fracture", "dislocation")


_OWN_TIME: tuple[MemberName, ...] = ("time", "start", "on")


def _own_time(node: declaration.Node) -> int | None:
    """Epoch at which what an object tells happened or began, None where that is not charted."""
    times = declaration.shape(node.__class__).times
    return next((t for name in _OWN_TIME if name in times and (t := getattr(node, name).epoch) is not None), None)


def _record(fact: FactBuilder, episode: record.Episode, line: Timeline) -> None:
    late = []
    for item in line.written:
        own, entered = _own_time(item), item.entered.epoch
        after = line.closed is not None and entered > line.closed
        if after or (own is not None and entered - own > LATE):
            late.append(item)
    fact.set("late_entries", len(late))
    if late:
        fact.evidence["late_entries"] = tuple(place(item) for item in late)
    listed = episode.reassessments
    fact.set("reassessments", listed if type(listed) is Absent else len(listed))
    fact.set(
        "calm_without_review", listed if type(listed) is Absent and listed.state == "not_collected" else calm_time(line)
    )
    fact.evidence["calm_without_review"] = (at_member(episode, "reassessments", None),)
    sedated = bool(line.sedatives)
    fact.set("destination_duty_due", sedated)
