"""The patient, what is known of the patient, and what happened around: resources that are no act of care."""

from __future__ import annotations

import base64
import html
import re
from collections.abc import Iterator
from datetime import date, datetime

from service.episode import declaration, record
from service.episode.words import DRUGS
from service.formats.collector import CANNOT_TELL
from service.formats.diagnoses import HISTORY, IMPRESSIONS, SYMPTOMS, begins_with
from service.formats.meaning import Meaning
from service.formats.values import takes

from . import codes
from .chart import Chart, Found, own_word
from .tree import El, codings, look, words

_MARKUP = re.compile(r"<[^>]*>")
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


def finish_encounter(chart: Chart, el: El) -> None:
    """Set how care ended without transfer, where the disposition of the Encounter says so."""
    concept = el.get("hospitalization").get("dischargeDisposition")
    how = own_word(concept, "transport.ended.how") or look(concept, codes.DISPOSITIONS)
    if how is None:
        return
    transport, ended = chart.section("transport", el), Found(record.EndOfCare, concept)
    stated = transport.data.get("ended")
    # Our own extension says the same and more.
    if (type(stated) is not dict or stated.get("how") != how) and chart.set_value(ended, "how", how, concept):
        chart.set_part(transport, "ended", ended)


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
    """Add what a diagnosis means: a condition, an event, an injury and so on; a notice for what means nothing here."""
    if _refuted(el):
        chart.notice("not-used-status", el.at)
        return
    concept = el.get("code")
    of_this_run = (codes.CONDITION_CATEGORY, "encounter-diagnosis") in {
        coding for category in el.each("category") for coding in codings(category)
    }
    condition, injury = look(concept, codes.CONDITIONS), look(concept, codes.INJURIES)
    event = look(concept, codes.DIAGNOSED_EVENTS)
    meaning = _diagnosis(concept, of_this_run)
    if condition or (meaning is not None and meaning.kind == "condition"):
        section = chart.section("patient", el)
        listed = section.data.setdefault("conditions", [])
        section.places.setdefault("conditions", el)
        word = condition or (meaning.word if meaning is not None else "")
        if word not in listed:
            listed.append(word)
    elif injury or event:
        _add_diagnosis(chart, el, concept, "injury" if injury else "event", injury or event)
    elif meaning is not None:
        _add_diagnosis(chart, el, concept, meaning.kind, meaning.word)
    else:
        chart.notice("unknown-code", (concept or el).at)


def _diagnosis(concept: El, of_this_run: bool) -> Meaning | None:
    """The meaning of an ICD-10-CM code: in this run an impression or symptom, else a history."""
    tables = (IMPRESSIONS, SYMPTOMS, HISTORY) if of_this_run else (HISTORY, IMPRESSIONS, SYMPTOMS)
    told = [code for system, code in codings(concept) if system == codes.ICD10CM]
    return next((found for code in told for table in tables if (found := begins_with(code, table))), None)


def _add_diagnosis(chart: Chart, el: El, concept: El, kind: str, word: str) -> None:
    name, onset = el.choice("onset", "DateTime", "Period")
    begun = onset.get("start") if name == "Period" else onset
    patient = chart.section("patient", el) if kind == "pregnant" else None
    match kind:
        case "injury":
            found = chart.item_of("injuries.patient", el)
            chart.set_value(found, "kind", word, concept)
        case "event":
            add_event(chart, el.text_of("id"), concept, word, begun, None)
        case "behaviour":
            found = chart.item_of("decision.behaviours", el)
            chart.set_value(found, "behaviour", word, concept)
        case "substance":
            found = Found(record.Substance, el)
            section = chart.section("patient", el)
            chart.set_value(found, "substance", word, concept)
            chart.set_value(found, "basis", "suspected", el)
            section.data.setdefault("substances", []).append(found.data)
            section.places.setdefault("substances", el)
        case "pregnant" if patient is not None and "pregnant" not in patient.data:
            chart.set_value(patient, "pregnant", True, concept)
        case "aside":
            chart.notice("diagnosis-left-aside", concept.at)


def add_event(chart: Chart, ident: str, place: El, word: str, when: El, before: bool | None) -> None:
    """Add an event; without a usable time the record cannot tell when, nor, with ``before`` None, in whose care."""
    found = chart.item("monitoring.events", place)
    chart.set_id(found, ident, place)
    chart.set_value(found, "event", word, place)
    if not chart.set_time(found, "time", when):
        found.data["time"] = CANNOT_TELL
        found.data["before_care"] = CANNOT_TELL if before is None else before


def add_complication(chart: Chart, ident: str, place: El, word: str, when: El) -> None:
    """Add a complication; where its code is a danger that has a word of its own, an event too."""
    found = chart.item("injuries.complications", place)
    chart.set_id(found, ident, place)
    chart.set_value(found, "complication", word, place)
    if not chart.set_time(found, "time", when):
        found.data["time"] = CANNOT_TELL
    event = look(place, codes.EVENT_OF_COMPLICATION)
    if event:
        add_event(chart, f"{ident}-event" if ident else "", place, event, when, False)


def read_adverse_event(chart: Chart, el: El) -> None:
    """Add a complication; an event that might have happened is none."""
    if el.text_of("actuality") == "potential":
        chart.notice("not-used-status", el.at)
        return
    place = el.get("event") or el
    word = look(el.get("event"), codes.COMPLICATIONS)
    if word == "none":
        return
    if word is None:
        chart.notice("unknown-code", place.at)
    add_complication(chart, el.text_of("id"), place, word or "other", el.get("date"))


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
            if "entered" not in found.data and not found.own and "entered" in declaration.by_name(found.cls):
                chart.set_time(found, "entered", el.get("recorded"))


def add_narrative(chart: Chart, text: str, el: El) -> None:
    """Add a narrative; several are joined in their order, as far as the record has room."""
    if not text.strip():
        chart.notice("no-value", el.at)
        return
    before = chart.root.data.get("narrative")
    if not isinstance(before, str):
        chart.set_value(chart.root, "narrative", text, el)
        return
    chart.notice("several-narratives", el.at)
    joined = f"{before}\n{text}"
    if takes(record.Episode, "narrative", joined):
        chart.root.data["narrative"] = joined
    else:
        chart.notice("out-of-bounds", el.at)


def read_document(chart: Chart, el: El) -> None:
    """Read a DocumentReference: the narrative in its plain texts. Anything else attached is not looked at."""
    if el.text_of("status") in ("superseded", "entered-in-error") or el.text_of("docStatus") == "entered-in-error":
        chart.notice("not-used-status", el.at)
        return
    read = False
    for content in el.each("content"):
        attached = content.get("attachment")
        if attached.text_of("contentType").partition(";")[0].strip().lower() == "text/plain" and attached.text_of(
            "data"
        ):
            try:
                text = base64.b64decode(attached.text_of("data"), validate=False).decode("utf-8")
            except ValueError:
                chart.notice("unreadable-document", attached.at)
                continue
            add_narrative(chart, text, attached)
            read = True
    if not read:
        chart.notice("unreadable-document", el.at)


def _sections(el: El) -> Iterator[El]:
    for section in el.each("section"):
        yield section
        yield from _sections(section)


def read_composition(chart: Chart, el: El) -> None:
    """Read the narrative of a document, and when the chart was closed: the time at which it was attested.

    A text that the sender marks as generated says again what stands in the entries, and is not read.
    """
    for section in _sections(el):
        text = section.get("text")
        written = (
            text.text_of("status") in ("additional", "extensions")
            or look(section.get("code"), codes.SUBJECTS) == "narrative"
        )
        if written and text.text_of("status") != "empty" and text.text_of("div"):
            words_of_it = html.unescape(_MARKUP.sub(" ", text.text_of("div")))
            add_narrative(chart, " ".join(words_of_it.split()), text)
    for attester in el.each("attester"):
        if attester.text_of("mode") in ("legal", "official", "professional"):
            closing = chart.section("chart", el)
            if "closed" not in closing.data:
                chart.set_time(closing, "closed", attester.get("time"))
