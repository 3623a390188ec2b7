"""MedicationAdministration: doses, drugs considered and not given, drugs that answer a danger."""

from __future__ import annotations

from service.episode import record
from service.formats.collector import CANNOT_TELL

from . import codes
from .chart import Chart, own_word
from .context import ingredient
from .people import set_performer
from .tree import El, Resource, look
from .units import unit_of

_DOSES, _NOT_GIVEN = "sedation.doses", "sedation.not_given"
_DONE = ("", "completed", "in-progress", "stopped", "unknown")
_DOSE_UNITS = frozenset({"g", "mg", "ug", "mL", "mg/kg", "ug/kg"})


def read_medication(chart: Chart, el: Resource) -> None:
    """Read one MedicationAdministration."""
    concept = _concept(chart, el)
    status = el.text_of("status")
    if status == "not-done":
        _not_given(chart, el, concept)
        return
    if status not in _DONE:
        chart.notice("not-used-status", el.at)
        return
    action = look(concept, codes.ANSWERING_DRUGS)
    if action:
        found = chart.item_of("monitoring.actions", el)
        chart.set_value(found, "action", action, concept)
        chart.set_span(found, el, "effective", "time", None)
        return
    drug = ingredient(concept)
    if drug is None and look(concept, codes.ASIDE_DRUGS):
        chart.notice("drug-left-aside", el.at)
        return
    if drug is None:
        chart.notice("unknown-drug", el.at)
    found = chart.item_of(_DOSES, el)
    found.own = el.is_own(_DOSES)
    chart.set_value(found, "drug", drug or "other", concept or el)
    chart.set_span(found, el, "effective", "time", None)
    dosage = el.get("dosage")
    _dose(chart, el, dosage)
    route = dosage.get("route")
    if route:
        word = own_word(route, f"{_DOSES}.route") or look(route, codes.ROUTES)
        if word is None:
            chart.notice("unknown-value", route.at)
        chart.set_value(found, "route", word or CANNOT_TELL, route)
    set_performer(chart, found, "given_by", el)
    for reason in el.each("reasonCode"):
        if not found.own and "reason" not in found.data:
            chart.notice("free-text", reason.at)
            chart.set_value(found, "reason", CANNOT_TELL, reason)


def _concept(chart: Chart, el: El) -> El:
    """The concept of the drug, coded here or in the Medication that is referred to."""
    name, found = el.choice("medication", "CodeableConcept", "Reference")
    if name != "Reference":
        return found
    target = chart.index.target(found)
    if target is None:
        chart.notice("dangling-reference", found.at)
        return El(None, found.at)
    return target.get("code")


def _dose(chart: Chart, el: El, dosage: El) -> None:
    found = chart.items[_DOSES][-1]
    dose = dosage.get("dose")
    number = dose.number_of("value")
    if number is None:
        if not found.own or dose:
            chart.notice("no-dose", (dosage or el).at)
        return
    unit = unit_of(dose)
    if unit in _DOSE_UNITS:
        chart.set_value(found, "unit", unit, dose)
    elif unit or not found.own:
        # Without its unit the number would be read in another one.
        chart.notice("unknown-unit" if unit else "no-unit", dose.at)
        chart.set_value(found, "dose", CANNOT_TELL, dose)
        if unit:
            chart.set_value(found, "unit", CANNOT_TELL, dose)
        return
    chart.set_value(found, "dose", number, dose)


def _not_given(chart: Chart, el: Resource, concept: El) -> None:
    drug = ingredient(concept)
    own = el.is_own(_NOT_GIVEN)
    if drug is None and not own and (look(concept, codes.ANSWERING_DRUGS) or look(concept, codes.ASIDE_DRUGS)):
        chart.notice("drug-left-aside", el.at)
        return
    found = chart.item_of(_NOT_GIVEN, el)
    found.own = own
    if drug:
        chart.set_value(found, "drug", drug, concept)
    elif not own:
        chart.set_value(found, "drug", "other", concept or el)
    chart.set_span(found, el, "effective", "time", None)
    for reason in el.each("statusReason"):
        word = own_word(reason, f"{_NOT_GIVEN}.reason")
        if word:
            chart.set_value(found, "reason", word, reason)
        elif not own and "reason" not in found.data:
            chart.set_value(found, "reason", CANNOT_TELL, reason)


def read_response(chart: Chart, subject: str, el: El) -> None:
    """Set what came of a dose: of the one that the Observation refers to, else of the only one there is."""
    doses = chart.items.get(_DOSES, [])
    targets = {chart.index.key(part) for name in ("partOf", "focus") for part in el.each(name)}
    found = [dose for at in targets for dose in chart.of_resource.get(at, []) if dose.cls is record.Dose]
    if not targets and len(doses) == 1:
        found = doses
    value = el.choice("value", "CodeableConcept")[1]
    word = look(value, codes.EFFECTS if subject == "drug_response" else codes.COMPLICATIONS)
    if len(found) != 1 or word is None:
        chart.notice("unknown-value", (value or el).at)
    elif subject == "drug_response":
        chart.set_value(found[0], "effect", word, value)
    else:
        harms = found[0].data.setdefault("adverse_effects", [])
        found[0].places.setdefault("adverse_effects", value)
        if word != "none" and word not in harms:
            harms.append(word)
