"""The patient, what is known of the patient, and what happened around: resources that are no act of care."""

from __future__ import annotations

import re
from datetime import date, datetime

from service.episode import record
from service.episode.words import DRUGS

from . import codes, profile
from .chart import Chart, Found, own_word
from .tree import El, codings, look, words

_REFUTED = {"refuted", "entered-in-error"}


def _refuted(el: El) -> bool:
    return any(code in _REFUTED for _, code in codings(el.get("verificationStatus")))


def read_patient(chart: Chart, el: El) -> None:
    """Set the sex. Age and death need the times of the record (``finish_patient``); nothing else is looked at."""
    if el.text_of("gender"):
        chart.set_value(chart.section("patient", el), "sex", el.text_of("gender"), el.get("gender"))


def finish_patient(chart: Chart, el: El) -> None:
    """Set the age at the first time of the record, and the death if it lies within the record."""
    section = chart.section("patient", el)
    born = el.get("birthDate")
    if "age" not in section.data and born and chart.first is not None:
        _age(chart, el, born, chart.first)
    name, dead = el.choice("deceased", "DateTime", "Boolean")
    injuries = chart.sections.get("injuries")
    if not dead or "injuries" in chart.none or (injuries is not None and "death" in injuries.data):
        return
    death = Found(record.Death, dead)
    if name == "Boolean":
        if not chart.set_value(death, "died", dead.value, dead):
            return
        if dead.value:
            chart.notice("death-without-time", dead.at)
    else:
        last = chart.last
        chart.set_value(death, "died", True, dead)
        if not chart.set_time(death, "time", dead):
            chart.notice("death-without-time", dead.at)
        elif last is not None and datetime.fromisoformat(dead.text.upper()) > last:
            chart.notice("death-later", dead.at)
            return
    chart.set_part(chart.section("injuries", el), "death", death)


def set_contact(chart: Chart, el: El, contacted: bool, when: El) -> None:
    """Set a contact with medical direction, unless there is one already."""
    contact = Found(record.MedicalDirection, el)
    chart.set_value(contact, "contacted", contacted, el)
    if contacted:
        chart.set_time(contact, "time", when)
    chart.set_part(chart.section("decision", el), "medical_direction", contact)


def _years(born: date, on: date) -> int:
    return on.year - born.year - ((on.month, on.day) < (born.month, born.day))


def _months(born: date, on: date) -> int:
    return (on.year - born.year) * 12 + on.month - born.month - (on.day < born.day)


def _age(chart: Chart, el: El, born: El, first: datetime) -> None:
    """Set the age: in days up to four weeks, in months up to two years, then in years.

    A year or month of birth alone gives an age only where every day of it gives the same.
    """
    section, on, text = chart.section("patient", el), first.date(), born.text
    try:
        if len(text) == 10:
            day = date.fromisoformat(text)
            days = (on - day).days
            age = (
                (days, "d")
                if days < 28
                else (_months(day, on), "mo")
                if _months(day, on) < 24
                else (_years(day, on), "a")
            )
        else:
            year, month = int(text[:4]), int(text[5:7]) if len(text) == 7 else None
            earliest = date(year, month or 1, 1)
            latest = date(year, month or 12, 28)
            ages = {_years(earliest, on), _years(latest, on)}
            if len(ages) != 1 or min(ages) < 2:
                chart.notice("inexact-birth-date", born.at)
                return
            age = (ages.pop(), "a")
    except ValueError:
        chart.notice("inexact-birth-date", born.at)
        return
    set_age(chart, section, age[0], age[1], born)


def set_age(chart: Chart, section: Found, value: int | float, unit: str, el: El) -> None:
    """Set the age of the patient."""
    age = Found(record.Age, el)
    if chart.set_value(age, "value", value, el) and chart.set_value(age, "unit", unit, el):
        chart.set_part(section, "age", age)


def read_allergy(chart: Chart, el: El) -> None:
    """Add an allergy: one of the drugs that an episode can name, else ``other``."""
    if _refuted(el) or any(code == "resolved" for _, code in codings(el.get("clinicalStatus"))):
        chart.notice("not-used-status", el.at)
        return
    section = chart.section("patient", el)
    listed = section.data.setdefault("allergies", [])
    section.places.setdefault("allergies", el)
    concept = el.get("code")
    if look(concept, codes.NO_ALLERGY):
        return
    word = own_word(concept, "patient.allergies") or ingredient(concept) or "other"
    if word in DRUGS and word not in listed:
        listed.append(word)


def ingredient(concept: El) -> str | None:
    """Our word for the drug of a concept: by its code, else by the only name of a known drug in its text; else None."""
    own = own_word(concept, "sedation.drug")
    if own:
        return own
    known = look(concept, codes.INGREDIENTS)
    if known:
        return str(known)
    named = {name for text in words(concept) for name in re.findall(r"[a-z]+", text) if name in codes.INGREDIENTS.texts}
    return named.pop() if len(named) == 1 else None


def read_condition(chart: Chart, el: El) -> None:
    """Add a condition of the patient, or an injury; a notice for any other."""
    if _refuted(el):
        chart.notice("not-used-status", el.at)
        return
    concept = el.get("code")
    condition, injury = look(concept, codes.CONDITIONS), look(concept, codes.INJURIES)
    if condition:
        section = chart.section("patient", el)
        listed = section.data.setdefault("conditions", [])
        section.places.setdefault("conditions", el)
        if condition not in listed:
            listed.append(condition)
    elif injury:
        found = chart.item("injuries.patient", el)
        chart.set_id(found, el.text_of("id"), el)
        chart.set_value(found, "kind", injury, concept)
    else:
        chart.notice("unknown-code", concept.at if concept else el.at)


def read_adverse_event(chart: Chart, el: El) -> None:
    """Add a complication; an event that might have happened is none."""
    if el.text_of("actuality") == "potential":
        chart.notice("not-used-status", el.at)
        return
    word = look(el.get("event"), codes.COMPLICATIONS)
    if word == "none":
        return
    if word is None:
        chart.notice("unknown-code", el.get("event").at if el.get("event") else el.at)
    found = chart.item("injuries.complications", el)
    chart.set_id(found, el.text_of("id"), el)
    chart.set_value(found, "complication", word or "other", el.get("event") if el.get("event") else el)
    chart.set_time(found, "time", el.get("date"))


def read_communication(chart: Chart, el: El) -> None:
    """Set that medical direction, the receiving facility or a guardian was told, by a code in category, topic or reason."""
    if el.text_of("status") == "not-done":
        chart.notice("not-used-status", el.at)
        return
    concepts = [*el.each("category"), el.get("topic"), *el.each("reasonCode")]
    sent = el.first("sent", "received")
    subjects = {look(c, codes.SUBJECTS) for c in concepts} | {own_word(c, "communication") for c in concepts}
    if "facility_told" in subjects:
        section = chart.section("transport", el)
        chart.set_value(section, "facility_told", True, el)
        chart.set_time(section, "facility_told_time", sent)
    elif "guardian_told" in subjects:
        chart.set_value(chart.section("patient", el), "guardian_told", True, el)
    elif "medical_direction" in subjects:
        set_contact(chart, el, True, sent)
    else:
        chart.notice("unknown-code", el.at)


def read_provenance(chart: Chart, el: El) -> None:
    """Set when entries were written: ``recorded`` of what created them."""
    activity = {code for system, code in codings(el.get("activity")) if system == codes.DATA_OPERATION}
    if activity - {"CREATE"}:
        return
    for reference in el.each("target"):
        target = chart.index.target(reference)
        for found in chart.of_resource.get(target.at, []) if target is not None else []:
            if "entered" not in found.data and not found.own and "entered" in profile.members_of(found.cls):
                chart.set_time(found, "entered", el.get("recorded"))


def read_composition(chart: Chart, el: El) -> None:
    """Set when the chart was closed: the time at which the document was attested."""
    for attester in el.each("attester"):
        if attester.text_of("mode") in ("legal", "official", "professional"):
            section = chart.section("chart", el)
            if "closed" not in section.data:
                chart.set_time(section, "closed", attester.get("time"))
