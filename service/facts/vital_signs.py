"""What the whole episode says of vital signs: which were charted, when, scores of the last set."""

from __future__ import annotations

from itertools import groupby
from typing import Any

from service.episode import declaration, record
from service.episode.absence import Absent
from service.episode.member_names import MemberName

from . import scales
from .builder import FactBuilder, state_of
from .duties import measured, meets_duty, set_times
from .entries import items
from .fact import place
from .timeline import ROUNDING, Timeline

#: Seconds. Two very agitated scores this far apart show that the struggle goes on (NAEMSP 2021: persistent struggle;
#: the number is common practice).
STRUGGLE = 600
#: For a patient found restrained, a score this soon after contact counts as one before control (common practice).
FIRST_SCORE = 300
#: A set this close before transfer of care counts as the set before transfer (common practice; protocols that ask for
#: one give no number).
BEFORE_TRANSFER = 600
#: mg/dL up to which a glucose is so low that it is told (the limit of RR-1388).
GLUCOSE_LOW = 60
#: Attribute that follows from the sets of vital signs -> the one member of a set that it looks for.
FROM_VITALS: dict[str, MemberName | None] = {
    "spo2_charted": "spo2",
    "spo2_after_sedation": "spo2",
    **dict.fromkeys(
        ("etco2_charted", "etco2_after_sedation", "first_etco2_after_sedation", "first_etco2_after_sedation_sure"),
        "etco2_mmhg",
    ),
    **dict.fromkeys(("ecg_charted", "ecg_after_sedation", "ecg_after_antipsychotic"), "rhythm"),
    "glucose_charted": "glucose_mg_dl",
    "temperature_charted": "temperature_c",
    **dict.fromkeys(("score_before", "score_after_control", "score_at_application"), "agitation_score"),
    **dict.fromkeys(
        (
            "complete_sets", "set_before_transfer", "news2", "news2_single_3", "shock_index", "shock_index_limit",
            "shock_index_over", "struggle_goes_on", "glucose_high", "glucose_low", "identical_sets",
        )
    ),
}  # fmt: skip


def vital_signs(fact: FactBuilder, line: Timeline, shared: dict[str, Any]) -> None:
    """Set what was measured, when, and the scores of the last set."""
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
        fact.unknown(FROM_VITALS, vitals.state)
        for name, span in (("etco2_charted", "capnography"), ("spo2_charted", "oximetry"), ("ecg_charted", "ecg")):
            if items(spans[span]):
                fact.set(name, True)
                fact.states.pop(name, None)
        return
    ours = line.own_sets
    plain = [v for _, v in ours] + line.own_untimed
    questions: tuple[tuple[str, tuple[MemberName, ...], str | None], ...] = (
        ("spo2_charted", ("spo2",), "oximetry"),
        ("etco2_charted", ("etco2_mmhg", "etco2_waveform"), "capnography"),
        ("glucose_charted", ("glucose_mg_dl", "glucose_reading"), None),
        ("temperature_charted", ("temperature_c",), None),
        ("ecg_charted", ("rhythm",), "ecg"),
    )
    for name, members, watched in questions:
        charted: bool | Absent = True if watched and items(spans[watched]) else measured(line, plain, members)
        if charted is False and watched is None:
            # The question is whether there is an entry at all, and one from before this unit's care is one.
            charted = any(type(getattr(v, member)) is not Absent for v in vitals for member in members)
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
    signs = set_times(line)
    backward = line.handover is not None and line.contact is not None and line.handover < line.contact
    if line.handover is None or backward or type(signs) is Absent:
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
    low = [
        v
        for _, v in ours
        if v.glucose_reading == "low" or (type(v.glucose_mg_dl) is not Absent and v.glucose_mg_dl <= GLUCOSE_LOW)
    ]
    fact.set("glucose_low", bool(low))
    if low:
        fact.evidence["glucose_low"] = tuple(place(v) for v in low)
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
            fact.set("first_etco2_after_sedation_sure", None if delay is None else max(0, delay - ROUNDING), state)


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
        same = list(alike)
        if len(same) > len(best) and list(map(type, values)).count(Absent) <= len(values) - 3:
            best = same
    fact.know(identical_sets=len(best))
    if len(best) > 1:
        fact.evidence["identical_sets"] = tuple(place(v) for v in best)


def full_set(vital: record.VitalSet) -> tuple[int, int, int, int] | None:
    """(hr, rr, spo2, sbp) of a complete set, else None."""
    found = (vital.hr, vital.rr, vital.spo2, vital.sbp)
    return None if any(type(x) is Absent for x in found) else found  # type: ignore[return-value]


def news2(vital: record.VitalSet, scale2: bool) -> tuple[int, ...] | None:
    """The points of the seven parts of NEWS2 of one set, None when one cannot be told."""
    four = full_set(vital)
    if (
        four is None
        or type(vital.temperature_c) is Absent
        or type(vital.acvpu) is Absent
        or type(vital.oxygen) is Absent
    ):
        return None
    hr, rr, spo2, sbp = four
    return scales.news2_parts(
        rr=rr, spo2=spo2, oxygen=vital.oxygen == "oxygen", sbp=sbp, hr=hr, alert=vital.acvpu == "alert",
        temperature=int(round(vital.temperature_c * 10, 4) + 0.5), scale2=scale2,
    )  # fmt: skip
