"""What was done and given: procedures and drugs, what came of them, and what they did to the patient."""

from __future__ import annotations

from datetime import datetime

from service.episode.drugs import DRUGS
from service.formats import procedures as known_procedures
from service.formats.collector import CANNOT_TELL
from service.formats.meaning import Meaning

from . import codes
from .chart import Chart, Spot, as_number, moment
from .people import Crew, drug_of, meaning_of
from .tree import NOT_COLLECTED, El

#: What was begun counts whatever came of it: the code says that it was done, and "unsuccessful" is said of the heart.
_DONE_ANYWAY = frozenset({"cpr", "defibrillation"})


# ---------------------------------------------------------------- procedures


def procedures(chart: Chart, crew: Crew) -> None:
    """Read eProcedures by what each code means. With a PN beside the code it was not done."""
    for group in chart.pcr.get("eProcedures").each("eProcedures.ProcedureGroup"):
        what = group.get("eProcedures.03")
        if not what.text or what.pn:
            continue
        meaning = known_procedures.PROCEDURES.get(what.text)
        failed = group.get("eProcedures.06").text == codes.NO
        if meaning is None:
            chart.notice("unknown-procedure", what.at)
        elif failed and meaning.kind in ("restraint", "hold"):
            chart.notice("not-successful", what.at)
        else:
            _procedure(chart, crew, group, meaning, failed)
        _complications(chart, group, meaning)


def _procedure(chart: Chart, crew: Crew, group: El, meaning: Meaning, failed: bool) -> None:
    what, when = group.get("eProcedures.03"), group.get("eProcedures.01")
    match meaning.kind:
        case "restraint":
            _restraint(chart, group, what, when)
        case "hold":
            _hold(chart, crew, group, what, when)
        case "action":
            _action(chart, group, meaning, failed)
        case "contact":
            contact = chart.part("/decision/medical_direction", group)
            if "contacted" not in contact.data:
                chart.set_value(contact, "contacted", True, what)
                chart.take(contact, "time", when)
        case "transfer":
            handover = chart.part("/handover", group)
            if moment_of(handover.data.get("time")) is None:
                handover.data.pop("time", None)
                chart.take(handover, "time", when)
        case "monitor" if meaning.word == "ecg":
            span = chart.item("/monitoring/ecg", group, group.key)
            chart.take(span, "start", when)
            chart.set_value(span, "end", CANNOT_TELL, what)
        case "monitor":
            # Without an end it would count as watching to the end of care.
            chart.notice("no-stretch", what.at)


def _restraint(chart: Chart, group: El, what: El, when: El) -> None:
    chart.restraint = chart.restraint or what
    role = group.get("eProcedures.10")
    if codes.ROLE_SERVICE.get(role.text, codes.Code("")).word == "law_enforcement":
        device = chart.item("/custody/devices", group, group.key)
        chart.set_value(device, "device", "other", what)
        chart.take(device, "on", when)
        chart.set_value(chart.part("/custody", group), "law_enforcement_present", True, role)
    else:
        _started(chart, group, when)


def _started(chart: Chart, group: El, when: El) -> None:
    """Set the start of the application: the first of all."""
    spot = chart.part("/application", group)
    here, there = moment(when.text), moment_of(spot.data.get("started"))
    if there is None or here is None:
        chart.take(spot, "started", when)
    elif here < there:
        chart.set_value(spot, "started", when.text, when, override=True)


def moment_of(value: object) -> datetime | None:
    """The time of a value that has been read; None for an absence."""
    return moment(value) if isinstance(value, str) else None


def _hold(chart: Chart, crew: Crew, group: El, what: El, when: El) -> None:
    chart.restraint = chart.restraint or what
    hold = chart.item("/application/holds", group, group.key)
    chart.set_value(hold, "part", "whole_body", what)
    chart.take(hold, "start", when)
    role, ident = group.get("eProcedures.10"), crew.ident(group.get("eProcedures.09"))
    service = codes.ROLE_SERVICE.get(role.text)
    if ident:
        chart.set_value(hold, "by", ident, group.get("eProcedures.09"))
    elif service:
        chart.set_value(hold, "by", crew.other(service.word, role), role)
        if service.word == "law_enforcement":
            chart.set_value(chart.part("/custody", group), "law_enforcement_present", True, role)


def _action(chart: Chart, group: El, meaning: Meaning, failed: bool) -> None:
    what, word = group.get("eProcedures.03"), meaning.word
    if failed and word not in _DONE_ANYWAY:
        # What failed answers no danger, and it was done all the same.
        chart.notice("not-successful", what.at)
        word = "other"
    if meaning.near:
        chart.notice("nearest-word", what.at)
    _act(chart, group, word, what, group.get("eProcedures.01"))


def _act(chart: Chart, group: El, word: str, what: El, when: El) -> None:
    action = chart.item("/monitoring/actions", group, group.key)
    chart.set_value(action, "action", word, what)
    chart.take(action, "time", when)


# ---------------------------------------------------------------- what came of it


def _complications(chart: Chart, group: El, meaning: Meaning | None) -> None:
    """Read eProcedures.07 and 08 of one procedure."""
    found = list(group.each("eProcedures.07"))
    restrained = meaning is not None and meaning.kind in ("restraint", "hold")
    before = group.get("eProcedures.02").text == codes.YES
    for el in found:
        if el.text in codes.PROCEDURE_COMPLICATION:
            _complication(chart, el, codes.PROCEDURE_COMPLICATION[el.text].word, before)
        elif el.text == codes.PROCEDURE_INJURY:
            when = "during_restraint" if restrained else "before_contact" if before else "unknown"
            chart.set_value(chart.item("/injuries/patient", el), "when", when, el)
    if found and restrained and all(el.text in codes.NO_COMPLICATION for el in found):
        chart.set_value(chart.part("/injuries", group), "complications", [], found[0])
    _worse(chart, group.get("eProcedures.08"))


def _complication(chart: Chart, el: El, word: str, before: bool) -> None:
    """Add a complication; where it is a danger that has a word of its own, an event too. Neither has a time."""
    event = codes.EVENT_OF_COMPLICATION.get(el.text)
    complication = chart.item("/injuries/complications", el)
    chart.set_value(complication, "complication", word, el)
    chart.set_value(complication, "time", NOT_COLLECTED, el)
    if event:
        untimed_event(chart, el, event, before)


def untimed_event(chart: Chart, el: El, word: str, before: bool | None) -> Spot:
    """Add an event of which the document says that it was and not when. ``before``: this unit's care, None where not told."""
    event = chart.item("/monitoring/events", el)
    chart.set_value(event, "event", word, el)
    chart.set_value(event, "time", NOT_COLLECTED, el)
    chart.set_value(event, "before_care", NOT_COLLECTED if before is None else before, el)
    return event


def _worse(chart: Chart, response: El) -> None:
    if response.text == codes.WORSE:
        chart.notice("worse-after", response.at)
        item = chart.item("/injuries/complications", response)
        chart.set_value(item, "complication", "other", response)
        chart.set_value(item, "time", NOT_COLLECTED, response)


# ---------------------------------------------------------------- drugs


def drugs(chart: Chart, crew: Crew) -> None:
    """Read eMedications. A drug with a PN was considered and not given, and its amount is no dose."""
    here = chart.pcr.get("eMedications")
    told = False
    for group in here.each("eMedications.MedicationGroup"):
        what = group.get("eMedications.03")
        told = told or bool(what.text) or what.absence is not None
        if not what.text:
            continue
        meaning = meaning_of(what)
        kind = "drug" if meaning is None else meaning.kind
        if kind == "aside" or (kind == "action" and what.pn):
            chart.notice("drug-left-aside", what.at)
        elif what.pn:
            _not_given(chart, group, what, drug_of(what) or "other")
        elif meaning is not None and kind == "action":
            _act(chart, group, meaning.word, what, group.get("eMedications.01"))
        else:
            if meaning is None:
                # It may be a sedative, so it must be among the doses.
                chart.notice("unknown-drug", what.at)
            _dose(chart, crew, group, what, drug_of(what) or "other")
            continue
        if not what.pn:
            _harm_of_drug(chart, group)
    if told:
        chart.answered("/sedation/doses", here)


def _harm_of_drug(chart: Chart, group: El) -> None:
    """Read what a drug that is no dose of the record did: it has no other place."""
    for el in group.each("eMedications.08"):
        if el.text in codes.ADVERSE_EFFECT:
            _complication(chart, el, codes.COMPLICATION_OF_DRUG.get(el.text, "other"), False)
    _worse(chart, group.get("eMedications.07"))


def _dose(chart: Chart, crew: Crew, group: El, what: El, drug: str) -> None:
    dose = chart.item("/sedation/doses", group, group.key)
    chart.set_value(dose, "drug", drug, what)
    chart.take(dose, "time", group.get("eMedications.01"))
    dosage = group.get("eMedications.DosageGroup")
    unit = dosage.get("eMedications.06")
    chart.take(dose, "dose", dosage.get("eMedications.05"), as_number)
    if unit.text and unit.text not in codes.DOSE_UNIT:
        chart.unreadable(dose, "unit", unit, "unusable-unit")
    else:
        chart.code(dose, "unit", unit, codes.DOSE_UNIT)
    chart.code(dose, "route", group.get("eMedications.04"), codes.ROUTE)
    ident = crew.ident(group.get("eMedications.09"))
    if ident:
        chart.set_value(dose, "given_by", ident, group.get("eMedications.09"))
    authority = group.get("eMedications.11")
    if authority:
        chart.code(dose, "ordered_by", authority, codes.ORDERED_BY)
    _effects(chart, dose, group)


def _effects(chart: Chart, dose: Spot, group: El) -> None:
    """Set effect and adverse effects of a dose. "Worse" after it is an adverse effect without a word of its own."""
    response = group.get("eMedications.07")
    if response.text in codes.EFFECT:
        chart.code(dose, "effect", response, codes.EFFECT)
    elif response.text:
        chart.set_value(dose, "effect", NOT_COLLECTED, response)
    else:
        chart.take(dose, "effect", response)
    effects = list(group.each("eMedications.08"))
    told = [el for el in effects if el.text in codes.ADVERSE_EFFECT]
    words = list(dict.fromkeys(codes.ADVERSE_EFFECT[el.text].word for el in told))
    if response.text == codes.WORSE:
        chart.notice("worse-after", response.at)
        words = words or ["other"]
    if words or any(el.text in codes.NO_COMPLICATION for el in effects):
        chart.set_value(dose, "adverse_effects", words, effects[0] if effects else response)
    elif effects:
        chart.take(dose, "adverse_effects", effects[0], lambda _: None)
    for el in told:
        event = codes.EVENT_OF_COMPLICATION.get(el.text)
        if event and codes.ADVERSE_EFFECT[el.text].word == "other":
            untimed_event(chart, el, event, False)


def _not_given(chart: Chart, group: El, what: El, drug: str) -> None:
    item = chart.item("/sedation/not_given", group, group.key)
    chart.set_value(item, "drug", drug, what)
    chart.take(item, "time", group.get("eMedications.01"))
    reason = codes.NOT_GIVEN.get(what.pn)
    if reason:
        chart.set_value(item, "reason", reason.word, what)


def no_other_actions(chart: Chart) -> None:
    """Say that nothing was done, where procedures or drugs are charted and none of them is an action."""
    monitored = any(path.startswith("/monitoring/") for path in chart.lists)
    told = [
        group
        for section, name, code in (
            ("eProcedures", "eProcedures.ProcedureGroup", "eProcedures.03"),
            ("eMedications", "eMedications.MedicationGroup", "eMedications.03"),
        )
        for group in chart.pcr.get(section).each(name)
        if group.get(code).text or group.get(code).absence is not None
    ]
    if monitored and told:
        chart.answered("/monitoring/actions", told[0].around)


def sedated(chart: Chart) -> bool:
    """Whether a sedative is among the doses."""
    return any(
        spot.data.get("drug") in DRUGS and DRUGS[spot.data["drug"]].sedative
        for spot in chart.lists.get("/sedation/doses", ())
    )
