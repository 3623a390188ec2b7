"""Observations: vital signs, limb checks, postures, narrative, times of the run."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from service.formats.collector import CANNOT_TELL
from service.intake.fields import SCORES

from . import codes
from .chart import Chart, Found, own_word
from .context import add_complication, add_narrative, set_age
from .people import set_performer
from .profile import PLACES, SHAPES
from .tree import El, Resource, codings, look, words
from .units import UNIT_OF, UNITS, unit_of

_VITALS, _CHECKS = "monitoring.vitals", "monitoring.limb_checks"
_TIMES = {"at_patient", "departed", "arrived"}
#: Sign -> member of a set, where they have different names.
_MEMBERS = {"rass": "agitation_score", "oxygen_percent": "oxygen"}


class Grouping:
    """The items made so far, to put readings of one time into one set and findings on one limb at one time into one check."""

    def __init__(self) -> None:
        self.groups: dict[tuple[Any, ...], list[Found]] = {}
        #: Place of an Observation -> time of the panel that has it as a member.
        self.times: dict[str, El] = {}


def effective(el: El, grouping: Grouping) -> El:
    """The time of an Observation (the start of a Period), else that of its panel."""
    kind, when = el.choice("effective", "DateTime", "Instant", "Period")
    if not when and el.at in grouping.times:
        return grouping.times[el.at]
    return when.get("start") if kind == "Period" else when


def instant(when: El) -> str:
    """A time in UTC as ``20310412T180200Z``; "" for what is no time with an offset."""
    try:
        time = datetime.fromisoformat(when.text.upper())
        return time.astimezone(UTC).strftime("%Y%m%dT%H%M%SZ") if time.tzinfo else ""
    except (ValueError, OverflowError):
        return ""


def read_observation(chart: Chart, el: Resource, grouping: Grouping) -> None:
    """Read one Observation, by what its code says it is about."""
    code = el.get("code")
    subject = look(code, codes.SUBJECTS)
    status = el.text_of("status")
    if status in ("cancelled", "registered") and subject != "limb_check":
        chart.notice("not-used-status", el.at)
        return
    when = effective(el, grouping)
    if subject == "limb_check" or look(code, codes.LIMB_FINDINGS):
        _limb_check(chart, el, when, grouping, status)
    elif subject == "posture":
        _posture(chart, el, el)
    elif subject in _TIMES:
        _run_time(chart, el, subject)
    elif subject == "narrative":
        _narrative(chart, el)
    elif subject == "breathing":
        found = chart.item_of("monitoring.breathing_checks", el)
        chart.set_time(found, "time", when)
        _word(chart, found, "breathing", el, codes.BREATHING)
    elif subject == "mental_status":
        _behaviour(chart, el, when)
    elif subject == "barrier":
        if look(el.choice("value", "CodeableConcept")[1], codes.BARRIERS):
            chart.restrained = True
    elif subject in ("age", "weight", "weight_measured", "weight_estimated", "pregnancy", "gestation"):
        _patient(chart, el, subject)
    elif subject in ("drug_response", "drug_complication"):
        chart.later.append((subject, el))
    elif subject == "complication":
        _complication(chart, el, when)
    else:
        used = _signs(chart, el, when, grouping, subject)
        if not used and subject is None:
            chart.notice("unknown-code", (code or el).at)


# ---------------------------------------------------------------- values


def absence(chart: Chart, el: El) -> dict[str, str] | None:
    """The absence that a dataAbsentReason states, as our JSON has it; None, with a notice, for one that is none of ours."""
    reason = el.get("dataAbsentReason")
    word = own_word(reason, "declined")
    if word:
        return {"absent": "declined", "reason": word}
    found = look(reason, codes.ABSENCES)
    if found is None:
        not_performed = (codes.ABSENT_REASON, "not-performed") in set(codings(reason))
        chart.notice("not-performed" if not_performed else "no-value", el.at)
    return dict(found) if found else None


def amount(chart: Chart, quantity: El, group: str) -> float | int | None:
    """The number of a Quantity in the unit of ``UNITS[group]``; None, with a notice, where it cannot be converted."""
    number = quantity.number_of("value") if type(quantity.value) is dict else quantity.number
    if number is None or abs(number) > 1e9:
        chart.notice("unknown-value", quantity.at)
        return None
    unit = unit_of(quantity)
    known = UNITS[group]
    if unit not in known:
        chart.notice("unknown-unit" if unit else "no-unit", quantity.at)
        return None
    factor, offset = known[unit]
    return number if (factor, offset) == (1, 0) else round(number * factor + offset, 4)


def _word(chart: Chart, found: Found, member: str, el: El, table: codes.Table) -> bool:
    _, value = el.choice("value", "CodeableConcept", "Coding")
    slug = next((slug for slug, shape in SHAPES.items() if shape.cls is found.cls), "")
    word = own_word(value, f"{slug}.{member}") or look(value, table)
    if word is None:
        chart.notice("unknown-value", (value or el).at)
        return False
    return chart.set_value(found, member, word, value)


# ---------------------------------------------------------------- vital signs


def _signs(chart: Chart, el: Resource, when: El, grouping: Grouping, subject: str | None) -> bool:
    """Set every known sign of an Observation and its components; whether there was any."""
    own = el.is_own(_VITALS)
    panel = own or subject == "panel"
    known: list[tuple[str, El]] = []
    if subject == "pressures" and el.get("dataAbsentReason"):
        known = [("sbp", el), ("dbp", el)]
    for part in (el, *el.each("component")):
        code = part.get("code")
        sign = look(code, codes.SIGNS)
        if sign:
            known.append((sign, part))
        elif part is not el:
            if look(code, codes.SUBJECTS) == "posture":
                _posture(chart, el, part)
            else:
                chart.notice("unknown-code", part.at)
    if not known and not own:
        return False
    alone = None
    if panel:
        alone = chart.item(_VITALS, el)
        alone.own = own
        chart.set_id(alone, el.text_of("id"), el)
        if when:
            chart.set_time(alone, "time", when)
    for sign, part in known:
        for member, value, place in _read_sign(chart, sign, part, derive=not own):
            found = alone or _set(chart, el, when, grouping, member, value)
            if value is CANNOT_TELL:
                chart.misread(found, member)
            chart.set_value(found, member, value, place)
    return True


def _read_sign(chart: Chart, sign: str, el: El, *, derive: bool) -> list[tuple[str, Any, El]]:
    """(member, value, element) of what one sign gives; ``CANNOT_TELL`` for a value that is not understood."""
    kind, value = el.choice("value", "Quantity", "Integer", "CodeableConcept", "String")
    member = _MEMBERS.get(sign, sign)
    if not value:
        if el.each("component"):
            return []
        absent = absence(chart, el)
        return [(member, absent, el)] if absent and sign != "oxygen_percent" else []
    if kind in ("CodeableConcept", "String"):
        slug = f"{_VITALS}.{sign}"
        table = {"acvpu": codes.AVPU, "rhythm": codes.RHYTHMS}.get(
            sign, codes.GCS_ANSWERS if sign.startswith("gcs_") else None
        )
        word = (own_word(value, slug) or look(value, table)) if table else None
        if word is None:
            chart.notice("unknown-value", value.at)
        return [(member, CANNOT_TELL if word is None else word, value)]
    number = amount(chart, value, UNIT_OF[sign]) if sign in UNIT_OF else None
    if number is None:
        return [(member, CANNOT_TELL, value)]
    if value.text_of("comparator"):
        if sign == "glucose_mg_dl":
            return [("glucose_reading", "low" if value.text_of("comparator").startswith("<") else "high", value)]
        chart.notice("boundary-value", value.at)
    if sign == "rass":
        low, high = SCORES["rass"]
        if not low <= number <= high:
            chart.notice("out-of-bounds", value.at)
            return [(member, CANNOT_TELL, value)]
        return [("agitation_scale", "rass", el), (member, number, value)]
    if sign == "oxygen_percent":
        return [(member, "oxygen" if number > 21 else "air", value)]
    if sign == "oxygen_l_min" and derive and number > 0:
        return [(sign, number, value), ("oxygen", "oxygen", value)]
    return [(sign, number, value)]


def _set(chart: Chart, el: El, when: El, grouping: Grouping, member: str, value: Any) -> Found:
    """The set of that time into which a reading goes; a new one where each has another reading of the same sign."""
    time = instant(when)
    group = grouping.groups.setdefault((_VITALS, time or el.at), [])
    for found in group:
        if member not in found.data or found.data[member] == value:
            return found
    if group:
        chart.notice("conflict", el.at)
    found = chart.item(_VITALS, el)
    if chart.set_time(found, "time", when) and time:
        chart.set_id(found, f"set-{time}" + (f"-{len(group) + 1}" if group else ""), el)
    group.append(found)
    return found


# ---------------------------------------------------------------- limbs and postures


def site_of(chart: Chart, concept: El) -> tuple[str, str | None] | None:
    """(site, side) of a body site, no side where none is asked; None, with a notice, where it is no limb with a side."""
    exact = look(concept, codes.SITES) or look(concept, PLACES)
    if exact:
        return exact  # type: ignore[no-any-return]
    near = look(concept, codes.NEAR_SITES)
    chart.notice("near-body-site" if near else "unknown-body-site", concept.at)
    return near  # type: ignore[no-any-return]


def _limb_check(chart: Chart, el: Resource, when: El, grouping: Grouping, status: str) -> None:
    body_site = el.get("bodySite")
    where = site_of(chart, body_site) if body_site else None
    if where is None:
        if not body_site:
            chart.notice("unknown-body-site", el.at)
        return
    values = _limb_findings(chart, el)
    not_done = None
    if not values:
        reason = (absence(chart, el) or {}).get("reason") if el.get("dataAbsentReason") else None
        if reason:
            not_done = reason if reason in ("patient_refused", "unsafe_to_attempt") else "other"
    own = el.is_own(_CHECKS)
    if status in ("cancelled", "registered") and not not_done:
        chart.notice("not-used-status", el.at)
        return
    if not values and not not_done and not own:
        chart.notice("no-value", el.at)
        return
    group = [] if own else grouping.groups.setdefault((_CHECKS, where, instant(when) or el.at), [])
    found = next((f for f in group if all(f.data.get(m, v) == v for m, v, _ in values)), None)
    if found is None:
        found = chart.item(_CHECKS, el)
        found.own = own
        group.append(found)
        chart.set_id(found, el.text_of("id"), el)
        chart.set_value(found, "site", where[0], body_site)
        if where[1]:
            chart.set_value(found, "side", where[1], body_site)
        if when:
            chart.set_time(found, "time", when)
        set_performer(chart, found, "by", el)
    for member, value, place in values:
        chart.set_value(found, member, value, place)
    if not_done:
        chart.set_value(found, "not_done", not_done, el.get("dataAbsentReason"))


def _limb_findings(chart: Chart, el: El) -> list[tuple[str, Any, El]]:
    out = []
    for part in (el, *el.each("component")):
        kind, value = part.choice("value", "Boolean", "CodeableConcept", "Quantity")
        code = part.get("code")
        if kind == "Quantity" and look(code, codes.CAPILLARY_REFILL):
            seconds = amount(chart, value, "s")
            if seconds is not None:
                out.append(("cap_refill_s", seconds, value))
            continue
        concept = value if kind == "CodeableConcept" else code
        finding = look(concept, codes.LIMB_FINDINGS) or _own_finding(concept)
        if finding and (kind != "Boolean" or value.value is True):
            out.append((*finding, value or part))
        elif part is not el or value:
            chart.notice("unknown-value", part.at)
    return out


def _own_finding(concept: El) -> tuple[str, str] | None:
    for member in ("pulse", "motor", "sensation", "skin"):
        word = own_word(concept, f"{_CHECKS}.{member}")
        if word:
            return member, word
    return None


def _posture(chart: Chart, resource: El, source: El) -> None:
    """Add a posture from an Observation, or from a component of one (``source``)."""
    _, value = source.choice("value", "CodeableConcept")
    word = own_word(value, "postures.posture") or look(value, codes.POSTURES)
    if word is None:
        chart.notice("unknown-value", (value or source).at)
        chart.posture = chart.posture or source
        return
    found = chart.item("postures", source)
    if source is resource:
        chart.set_id(found, resource.text_of("id"), resource)
    chart.set_value(found, "posture", word, value)
    chart.set_span(found, resource, "effective", "start", "end")


# ---------------------------------------------------------------- the rest


def _run_time(chart: Chart, el: El, member: str) -> None:
    _, value = el.choice("value", "DateTime")
    section = chart.section("transport", el)
    if (
        chart.set_time(section, member, value or el.choice("effective", "DateTime", "Instant")[1])
        and member == "arrived"
    ):
        # The code is defined as the arrival of unit and patient at the destination.
        chart.set_value(section, "transported", True, el)


def _narrative(chart: Chart, el: El) -> None:
    _, value = el.choice("value", "String")
    add_narrative(chart, value.text, value or el)


def _behaviour(chart: Chart, el: El, when: El) -> None:
    _, value = el.choice("value", "CodeableConcept")
    text = look(value, codes.BEHAVIOURS)
    if text is None:
        chart.notice("unknown-value", (value or el).at)
        return
    found = chart.item_of("decision.behaviours", el)
    chart.set_value(found, "behaviour", "other", value)
    chart.set_value(found, "words", text, value)
    chart.set_time(found, "time", when)


def _patient(chart: Chart, el: El, subject: str) -> None:
    section = chart.section("patient", el)
    kind, value = el.choice("value", "Quantity", "CodeableConcept", "Integer")
    if not value:
        absent = absence(chart, el)
        if absent and subject != "age":
            chart.set_value(
                section, {"pregnancy": "pregnant", "gestation": "gestation_weeks"}.get(subject, "weight_kg"), absent, el
            )
    elif subject == "age":
        number, unit = value.number_of("value"), unit_of(value)
        if number is None:
            chart.notice("unknown-value", value.at)
        else:
            set_age(chart, section, number, unit, value)
    elif subject == "pregnancy":
        word = look(value, codes.PREGNANCY)
        if word is None:
            chart.notice("unknown-value", value.at)
        else:
            chart.set_value(section, "pregnant", word, value)
    elif kind == "Quantity":
        member = "gestation_weeks" if subject == "gestation" else "weight_kg"
        number = amount(chart, value, UNIT_OF[member])
        basis = subject.removeprefix("weight_")
        if (
            number is not None
            and chart.set_value(section, member, number, value)
            and basis in ("measured", "estimated")
        ):
            chart.set_value(section, "weight_basis", basis, el.get("code"))


def _complication(chart: Chart, el: El, when: El) -> None:
    _, value = el.choice("value", "CodeableConcept")
    word = look(value, codes.COMPLICATIONS)
    if word == "none":
        return
    if word is None:
        chart.notice("unknown-value", (value or el).at)
        word = "other" if next(words(value), None) else None
    if word:
        add_complication(chart, el.text_of("id"), value, word, when)
