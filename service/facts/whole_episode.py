"""The one fact about the episode as a whole."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import groupby
from typing import Any

from service.episode import declaration, record
from service.episode.absence import NOT_COLLECTED, Absent
from service.episode.drugs import DRUGS
from service.episode.member_names import MemberName
from service.episode.words import LIMBS

from . import intervals, scales
from .builder import FactBuilder, state_of
from .fact import Evidence, place
from .items import charted_times, meets_duty, news2
from .timeline import LATE, ROUNDING, Timeline, items

#: Seconds. Two very agitated scores this far apart show that the struggle goes on.
STRUGGLE = 600
#: For a patient found restrained, a score this soon after contact counts as one before control.
FIRST_SCORE = 300
#: A set this close before transfer of care counts as the set before transfer.
BEFORE_TRANSFER = 600
#: Attributes that follow from the sets of vital signs.
_FROM_VITALS = (
    "spo2_charted", "etco2_charted", "glucose_charted", "temperature_charted", "ecg_charted", "spo2_after_sedation",
    "etco2_after_sedation", "ecg_after_sedation", "ecg_after_antipsychotic", "first_etco2_after_sedation", "score_before",
    "score_after_control", "score_at_application", "complete_sets", "set_before_transfer", "news2", "news2_single_3", "shock_index",
    "shock_index_limit", "shock_index_over", "struggle_goes_on", "glucose_high", "identical_sets",
)  # fmt: skip
_CAUSES = ("head_injury", "stroke", "seizure", "substances")
_TOLD = ("glucose", "injuries", "events", "sedation", "restraint", "police_devices", "energy_weapon", "irritant")


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
    **dict.fromkeys(_FROM_VITALS, ("monitoring", "vitals")),
    **dict.fromkeys((f"{name}_told" for name in _TOLD), ("handover", "told")),
    "arrest": ("monitoring", "events"),
    "patient_injured": ("injuries", "patient"),
    "died": ("injuries", "death"),
    "irritant_used": ("custody", "irritant"),
    "irritant_watched": ("custody", "irritant"),
    "energy_weapon_trigger": ("custody", "energy_weapon"),
    "reassessments": ("reassessments", None),
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
        return (_at(self._episode, *_STANDS[attribute]),)


def _at(episode: record.Episode, section: MemberName, member: MemberName | None) -> Evidence:
    node = getattr(episode, section)
    return place(episode, section) if type(node) is Absent or member is None else place(node, member)


def episode_fact(line: Timeline, shared: dict[str, Any]) -> FactBuilder:
    """The fact: everything that needs more than one item or section. ``shared``: the ``ep_`` attributes that are known."""
    episode = line.episode
    fact = FactBuilder("episode", "episode", (place(episode),))
    fact.evidence = _Places(episode)
    _time(fact, line)
    _posture(fact, line)
    _team(fact, line)
    _application(fact, line)
    _belts(fact, line)
    _causes(fact, line)
    _sedation(fact, line)
    _monitoring(fact, line, shared)
    _handover(fact, line)
    _record(fact, episode, line)
    age = shared.get("ep_age_years")
    fact.derive("minor", None if age is None else age < 18, episode.patient.age)
    return fact


def _where(
    fact: FactBuilder,
    names: tuple[str, ...],
    episode: record.Episode,
    section: MemberName,
    member: MemberName | None = None,
) -> None:
    where = (_at(episode, section, member),)
    for name in names:
        fact.evidence[name] = where


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
    _where(fact, ("restrained", "restrained_sure", "restrained_so_far"), line.episode, "application")
    fact.span = (line.restrained[0][0], line.restrained[-1][1])


def _team(fact: FactBuilder, line: Timeline) -> None:
    members = line.episode.team.members
    names = ("people", "head_holder", "limb_roles_filled", "fewer_reason")
    if type(members) is Absent:
        fact.unknown(names, members.state)
        return
    roles = [set(items(p.roles)) for p in members]
    untold = [p.roles for p in members if type(p.roles) is Absent]
    services = [p.service for p in members if type(p.service) is Absent]
    trained = [
        p.service in ("ems", "fire", "hospital") or (p.service == "law_enforcement" and bool(r & {"head", *LIMBS}))
        for p, r in zip(members, roles, strict=True)
    ]
    fact.derive("people", None if services else sum(trained), *services)
    every = set().union(*roles) if roles else set()
    filled = len(every & set(LIMBS))
    fact.derive("head_holder", True if "head" in every else None if untold else False, *untold)
    fact.derive("limb_roles_filled", filled if filled == len(LIMBS) or not untold else None, *untold)
    reason = line.episode.team.fewer_reason
    fact.set(
        "fewer_reason",
        reason
        if type(reason) is Absent and reason.state == "not_collected"
        else type(reason) is not Absent or reason.state == "declined",
    )
    _where(fact, names, line.episode, "team", "members")


def _limb_set(limbs: set[str]) -> str:
    arms, legs = limbs & {"right_arm", "left_arm"}, limbs & {"right_leg", "left_leg"}
    if len(limbs) in (0, 1, 3, 4):
        return {0: "none", 1: "single", 3: "three", 4: "four"}[len(limbs)]
    return "both_arms" if len(arms) == 2 else "both_legs" if len(legs) == 2 else "arm_and_leg"


def _application(fact: FactBuilder, line: Timeline) -> None:
    episode = line.episode
    names = (
        "limb_set",
        "one_limb_left",
        "completed_before_departure",
        "began_before_departure",
        "head_released_last",
    )
    if type(line.limb_items) is Absent:
        fact.unknown(names, line.limb_items.state)
        return
    _where(fact, names, episode, "application", "limbs")
    own = {name: limb for name, limb in line.limbs.items() if limb.own}
    fact.set("limb_set", _limb_set(set(own)))
    fact.set("one_limb_left", _one_left(line))
    last = line.secured[-1] if line.secured else None
    before = None if line.departed is None or last is None else last <= line.departed
    left = state_of(episode.transport.departed, *(i.on for i in line.limb_items))
    fact.set("completed_before_departure", before, left)
    began = None if line.departed is None or last is None else line.secured[0] <= line.departed
    fact.set("began_before_departure", began, left)
    released = episode.application.head_released.epoch
    fact.derive(
        "head_released_last",
        None if released is None or last is None else released >= last,
        episode.application.head_released,
    )
    _where(fact, ("head_released_last",), episode, "application", "head_released")


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


def _one_left(line: Timeline) -> bool | None:
    """Whether devices taken off before transfer of care left one limb alone restrained for more than a minute."""
    if not all(limb.known and not limb.open for limb in line.limbs.values()):
        return None
    spans = [span for limb in line.limbs.values() for span in limb.own_spans]
    ends = sorted({end for _, end in spans})
    for end in ends:
        if line.care_end is not None and end >= line.care_end:
            continue
        still = [s for s in spans if s[0] <= end < s[1]]
        changes = [t for span in spans for t in span if t > end]
        if len(still) == 1 and len(spans) > 1 and min(changes, default=end) - end > ROUNDING:
            return True
    return False


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
    _where(fact, ("complications_charted",), episode, "injuries", "complications")
    if type(listed) is not Absent or (
        ketamine and all(type(e) is not Absent or e.state == "declined" for e in effects)
    ):
        fact.set("complications_charted", True)
    elif listed.state == "not_collected" and all(type(e) is Absent and e.state == "not_collected" for e in effects):
        fact.set("complications_charted", None, "not_collected")
    else:
        fact.set("complications_charted", listed.state == "declined")


def _measured(line: Timeline, vitals: list[record.VitalSet], members: tuple[MemberName, ...]) -> bool | Absent:
    """Whether one of the members was charted in one of the sets, or declined with a reason.

    "Unsafe to attempt" before control does not count where there is a set after control: the duty begins anew then.
    """
    tried: Absent | None = None
    for vital in vitals:
        time = vital.time.epoch
        for member in members:
            value = getattr(vital, member)
            if type(value) is not Absent:
                return True
            if value.state == "declined" and (time is None or meets_duty(value, time, line)):
                begins_anew = value.reason == "unsafe_to_attempt" and _any_after(line.control, vitals)
                if time is None or not begins_anew:
                    tried = value
    if tried is not None:
        return True
    states = [getattr(v, m) for v in vitals for m in members]
    if states and all(type(s) is Absent and s.state == "not_collected" for s in states):
        return NOT_COLLECTED
    return False


def _any_after(control: int | None, vitals: Iterable[record.VitalSet]) -> bool:
    return control is not None and any((t := v.time.epoch) is not None and t >= control for v in vitals)


def _monitoring(fact: FactBuilder, line: Timeline, shared: dict[str, Any]) -> None:
    episode = line.episode
    vitals = line.vitals
    direction = episode.decision.medical_direction
    contacted = direction.contacted
    considered = fact.values.get("sedation_considered")
    if considered is True or contacted is True:
        fact.set("sedation_or_direction", True)
    elif considered is False and type(contacted) is not Absent:
        fact.set("sedation_or_direction", False)
    else:
        fact.set(
            "sedation_or_direction",
            None if type(contacted) is Absent and contacted.state == "not_collected" else False,
            "not_collected",
        )
    watch = episode.monitoring
    spans = {"capnography": watch.capnography, "oximetry": watch.oximetry, "ecg": watch.ecg}
    if type(vitals) is Absent:
        fact.unknown(_FROM_VITALS, vitals.state)
        for name, span in (("etco2_charted", "capnography"), ("spo2_charted", "oximetry"), ("ecg_charted", "ecg")):
            if items(spans[span]):
                fact.set(name, True)
                fact.states.pop(name, None)
        return
    ours = [(t, v) for t, v in line.sets if line.ours(v.before_care, t)]
    plain = [v for _, v in ours] + [v for v in vitals if type(v.time) is Absent and v.before_care is not True]
    questions: tuple[tuple[str, tuple[MemberName, ...], str | None], ...] = (
        ("spo2_charted", ("spo2",), "oximetry"),
        ("etco2_charted", ("etco2_mmhg", "etco2_waveform"), "capnography"),
        ("glucose_charted", ("glucose_mg_dl", "glucose_reading"), None),
        ("temperature_charted", ("temperature_c",), None),
        ("ecg_charted", ("rhythm",), "ecg"),
    )
    for name, members, watched in questions:
        charted: bool | Absent = True if watched and items(spans[watched]) else _measured(line, plain, members)
        fact.set(name, charted)
    _after_sedation(fact, line, ours, spans)
    _scores(fact, line, ours)
    full, unheard = 0, False
    for time, vital in ours:
        four = (vital.hr, vital.rr, vital.spo2, vital.sbp)
        absent = [value for value in four if type(value) is Absent]
        unheard = unheard or any(value.state == "not_collected" for value in absent)
        full += all(meets_duty(value, time, line) for value in absent)
    fact.set("complete_sets", None if unheard else full, "not_collected")
    signs = charted_times(vitals, ("hr", "rr", "spo2", "sbp"), line)
    if line.handover is None or type(signs) is Absent:
        fact.derive("set_before_transfer", None, signs, episode.handover.time)
    else:
        fact.spans["set_before_transfer"] = (line.handover - BEFORE_TRANSFER, line.handover)
        fact.set("set_before_transfer", any(0 <= line.handover - t <= BEFORE_TRANSFER + ROUNDING for t in signs))
    _last_set(fact, line, ours, shared)
    high = [
        v
        for _, v in ours
        if v.glucose_reading == "high" or (type(v.glucose_mg_dl) is not Absent and v.glucose_mg_dl >= 250)
    ]
    fact.set("glucose_high", bool(high))
    if high:
        fact.evidence["glucose_high"] = tuple(place(v) for v in high)
    _identical(fact, ours)


def _after_sedation(
    fact: FactBuilder,
    line: Timeline,
    ours: list[tuple[int, record.VitalSet]],
    spans: dict[str, tuple[record.MonitorSpan, ...] | Absent],
) -> None:
    first = line.sedatives[0] if line.sedatives else None
    anti = min(
        (
            t
            for d in items(line.dose_items)
            if d.drug in ("haloperidol", "droperidol", "ziprasidone") and (t := d.time.epoch) is not None
        ),
        default=None,
    )

    def seen(start: int | None, member: MemberName, span: str) -> tuple[bool | None, int | None, str]:
        if start is None:
            return None, None, "missing"
        watched = spans[span]
        at = [
            max(begin, start)
            for item in items(watched)
            if (begin := item.start.epoch) is not None and ((end := line.end_of(item.end)[0]) is None or end > start)
        ]
        charted = next((t for t, v in ours if t >= start and meets_duty(getattr(v, member), t, line)), None)
        if charted is not None:
            at.append(charted)
        if at:
            return True, min(at) - start, "missing"
        if type(watched) is Absent and watched.state == "not_collected":
            values = [getattr(v, member) for t, v in ours if t >= start]
            if values and all(type(a) is Absent and a.state == "not_collected" for a in values):
                return None, None, "not_collected"
        return False, None, "missing"

    questions: tuple[tuple[str, int | None, MemberName, str], ...] = (
        ("spo2_after_sedation", first, "spo2", "oximetry"),
        ("etco2_after_sedation", first, "etco2_mmhg", "capnography"),
        ("ecg_after_sedation", first, "rhythm", "ecg"),
        ("ecg_after_antipsychotic", anti, "rhythm", "ecg"),
    )
    for name, start, member, span in questions:
        found, delay, state = seen(start, member, span)
        fact.set(name, found, state)
        if name == "etco2_after_sedation":
            fact.set("first_etco2_after_sedation", delay, state)


def _scores(fact: FactBuilder, line: Timeline, ours: list[tuple[int, record.VitalSet]]) -> None:
    scored = [(t, v) for t, v in ours if type(v.agitation_score) is not Absent]
    absent = [v.agitation_score for _, v in ours if type(v.agitation_score) is Absent]
    nowhere = not scored and absent and all(a.state == "not_collected" for a in absent)
    begin = line.secured[0] if line.secured else line.control
    if nowhere or begin is None:
        fact.unknown(
            ("score_before", "score_after_control", "score_at_application", "struggle_goes_on"),
            "not_collected" if nowhere else "missing",
        )
        return
    refused = [t for t, v in ours if type(v.agitation_score) is Absent and meets_duty(v.agitation_score, t, line)]
    declined = any(t <= begin for t in refused)
    # A patient found restrained can be scored only after contact.
    latest = max(line.control if line.control is not None else begin, (line.contact or begin) + FIRST_SCORE)
    before = [(t, v) for t, v in scored if t <= latest]
    fact.set("score_before", bool(before) or declined)
    tried = [t for t, _ in scored] + refused
    fact.set("score_after_control", any(line.control is not None and t > line.control for t in tried))
    at_application = [v for t, v in scored if t <= begin]
    if at_application:
        last = at_application[-1]
        least = scales.SUPPORTS.get(last.agitation_scale) if isinstance(last.agitation_scale, str) else None
        score = last.agitation_score
        known = least is not None and type(score) is not Absent
        fact.set("score_at_application", None if not known else "supports" if score >= least else "below")  # type: ignore[operator]
        fact.evidence["score_at_application"] = (place(last, "agitation_score"),)
    else:
        fact.set("score_at_application", "none")
    fights = [
        (t, v) for t, v in scored
        if line.control is not None and t >= line.control and _very_agitated(v)
    ]  # fmt: skip
    fact.set("struggle_goes_on", bool(fights) and fights[-1][0] - fights[0][0] >= STRUGGLE)
    if fights:
        fact.evidence["struggle_goes_on"] = tuple(place(v, "agitation_score") for _, v in fights)


def _very_agitated(vital: record.VitalSet) -> bool:
    score, scale = vital.agitation_score, vital.agitation_scale
    return type(score) is not Absent and isinstance(scale, str) and score >= scales.VERY_AGITATED[scale]


_NEWS2: tuple[MemberName, ...] = ("rr", "spo2", "oxygen", "sbp", "hr", "acvpu", "temperature_c")


def _last_set(
    fact: FactBuilder, line: Timeline, ours: list[tuple[int, record.VitalSet]], shared: dict[str, Any]
) -> None:
    age, pregnant = shared.get("ep_age_years"), shared.get("ep_pregnant")
    controlled = [(t, v) for t, v in ours if line.control is not None and t >= line.control]
    valid = age is not None and age >= 16 and pregnant is not True
    parts = None
    if valid and controlled:
        last = controlled[-1][1]
        parts = news2(last, shared.get("ep_scale2") is True)
        fact.evidence["news2"] = fact.evidence["news2_single_3"] = (place(last),)
    lacking = [getattr(controlled[-1][1], m) for m in _NEWS2] if valid and controlled else [line.episode.patient.age]
    fact.derive("news2", None if parts is None else sum(parts), *lacking)
    fact.derive("news2_single_3", None if parts is None else 3 in parts, *lacking)
    pressures = [v for _, v in controlled if type(v.hr) is not Absent and type(v.sbp) is not Absent and v.sbp > 0]
    if not pressures:
        signs = [x for _, v in controlled for x in (v.hr, v.sbp)]
        fact.unknown(("shock_index", "shock_index_over", "shock_index_limit"), state_of(*signs))
        return
    last = pressures[-1]
    index = scales.shock_index(last.hr, last.sbp)  # type: ignore[arg-type]
    limit = None if age is None else scales.shock_index_limit(age)
    fact.set("shock_index", index)
    fact.set("shock_index_limit", limit)
    fact.set("shock_index_over", None if limit is None else index > limit)
    fact.evidence["shock_index"] = fact.evidence["shock_index_over"] = (place(last, "hr"), place(last, "sbp"))


_signs_of = declaration.getter(("hr", "rr", "spo2", "sbp", "dbp", "etco2_mmhg"))


def _identical(fact: FactBuilder, ours: list[tuple[int, record.VitalSet]]) -> None:
    best: list[record.VitalSet] = []
    for values, alike in groupby([vital for _, vital in ours], key=_signs_of):
        if list(map(type, values)).count(Absent) <= len(values) - 3:
            best = max(best, list(alike), key=len)
    fact.know(identical_sets=len(best))
    if len(best) > 1:
        fact.evidence["identical_sets"] = tuple(place(v) for v in best)


def _handover(fact: FactBuilder, line: Timeline) -> None:
    episode = line.episode
    told = episode.handover.told
    if type(told) is Absent:
        fact.unknown([f"{word}_told" for word in _TOLD], told.state)
    else:
        fact.values.update({f"{word}_told": word in told for word in _TOLD})
    events = episode.monitoring.events
    fact.set("arrest", events if type(events) is Absent else any(e.event == "arrest" for e in events))
    patient = episode.injuries.patient
    fact.set(
        "patient_injured",
        patient if type(patient) is Absent else any(i.when in ("during_restraint", "transport") for i in patient),
    )
    death = episode.injuries.death
    fact.set("died", death.died)
    spray = episode.custody.irritant
    fact.set("irritant_used", spray.used)
    since = spray.time.epoch
    since = line.contact if since is None else since
    fact.set("irritant_watched", None if since is None or line.care_end is None else max(0, line.care_end - since))
    weapon = episode.custody.energy_weapon
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
    sedated = bool(line.sedatives)
    fact.set("destination_duty_due", sedated)
