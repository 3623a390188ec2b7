"""A FHIR R4 Bundle: resources in, our episode out, every place of it a FHIRPath from the Bundle.

Tolerant: unknown resources, members and extensions do no harm, wrong types
read as nothing, references are looked up inside the Bundle and nowhere else,
and what could not be used is a notice with its place. Not read: names,
addresses, numbers and pictures of people, attachments, narrative markup.
"""

from __future__ import annotations

import dataclasses
import hashlib
import re
from typing import Any

from service.problems import ProblemItem, Rejected

from . import episode_json, fields, strict_json
from .episode_json import Intake, Notice
from .fhir.carried import left
from .fhir.chart import Chart, Found
from .fhir.context import (
    finish_patient,
    read_adverse_event,
    read_allergy,
    read_communication,
    read_composition,
    read_condition,
    read_patient,
    read_provenance,
)
from .fhir.medications import read_medication, read_response
from .fhir.observations import Grouping, read_observation
from .fhir.people import People
from .fhir.procedures import is_restraint, parents, read_device_use, read_procedure
from .fhir.profile import EPISODE, SECTIONS, SHAPES
from .fhir.shapes import own_shape, read_shape, slug_of
from .fhir.tree import El, Index, codings, kind

_DETAILS = {
    "not-a-bundle": "Give a FHIR R4 Bundle.",
    "no-restraint": "Nothing in the Bundle says that a patient was restrained.",
    "several-charts": "The Bundle tells of the restraint of several patients or in several encounters. Send one Bundle for each.",
    "too-many-items": "The Bundle has too many entries of one kind.",
    "invalid-episode": "This part of the profile cannot be read.",
}
#: Types that are no part of an act and are read through references, or hold nothing for a review.
_QUIET = {"Practitioner", "PractitionerRole", "Organization", "Location", "Device", "Medication", "Encounter", "Provenance", "Composition"}
#: Types in which a patient's own record may reach back beyond the encounter.
_HISTORY = {"AllergyIntolerance", "Condition"}
_RESTRAINT_LISTS = ("application.limbs", "application.holds", "custody.devices")


def read(body: bytes) -> Intake:
    """Read the bytes of one Bundle. Raises Rejected: 400 not JSON; 422 ``not-a-bundle``, ``no-restraint``,
    ``several-charts``, ``too-many-items``. Their pointers are RFC 6901, into the Bundle."""
    document = strict_json.loads(body)
    if type(document) is not dict or document.get("resourceType") != "Bundle":
        _refuse("not-a-bundle", "" if type(document) is not dict or "resourceType" not in document else "/resourceType")
    index = Index(document)
    chart = Chart(index)
    for entry in index.unreadable:
        chart.notice("not-a-resource", entry.at)
    patient, encounter = _whose(index)
    chart.people = People(chart)
    _resources(chart, patient, encounter)
    if patient is not None:
        finish_patient(chart, patient)
    value, places = _assemble(chart, encounter)
    if not (chart.restrained or chart.not_collected is not None or any(chart.items.get(slug) for slug in _RESTRAINT_LISTS)):
        _refuse("no-restraint", "")
    return _intake(chart, value, places, document)


def _refuse(code: str, pointer: str) -> None:
    raise Rejected(422, code, [ProblemItem(code, _DETAILS[code], pointer=pointer)])


# ---------------------------------------------------------------- whose record


def _subject(el: El) -> El:
    return el.get("patient") if el.get("patient") else el.get("subject")


def _run(el: El) -> El:
    return el.get("encounter") if el.get("encounter") else el.get("context")


def _is_episode(el: El) -> bool:
    return any(slug_of(part) == EPISODE for part in el.each("extension"))


def _whose(index: Index) -> tuple[El | None, El | None]:
    """The patient and the encounter of the restraint, if they are in the Bundle; more than one is refused."""
    marked = [el for el in index.resources if _is_episode(el)]
    acts = marked or [el for el in index.resources if is_restraint(el)]
    subjects = {index.key(_subject(el)): el for el in acts if index.key(_subject(el))}
    runs = {index.key(_run(el)): el for el in acts if index.key(_run(el))}
    if len(marked) > 1 or len(subjects) > 1 or len(runs) > 1:
        _refuse("several-charts", "")
    patients = [el for el in index.resources if kind(el) == "Patient"]
    encounters = [el for el in index.resources if kind(el) == "Encounter"]
    if not subjects and len(patients) > 1 and acts:
        _refuse("several-charts", "")
    patient = next((el for el in patients if el.at in subjects), patients[0] if len(patients) == 1 and not subjects else None)
    encounter = next((el for el in [*marked, *encounters] if el.at in runs or el in marked), None)
    if encounter is None and not runs and len(encounters) == 1:
        encounter = encounters[0]
    return patient, encounter


def _foreign(chart: Chart, el: El, patient: El | None, encounter: El | None) -> bool:
    """Whether a resource belongs to somebody else, or to another run; said in a notice."""
    index = chart.index
    whose, which = index.key(_subject(el)), index.key(_run(el))
    if whose and patient is not None and whose != patient.at and kind(el) != "Patient":
        chart.notice("other-patient", el.at)
        return True
    if which and encounter is not None and which != encounter.at and kind(el) not in _HISTORY:
        chart.notice("other-encounter", el.at)
        return True
    return False


# ---------------------------------------------------------------- resources


def _resources(chart: Chart, patient: El | None, encounter: El | None) -> None:
    index, grouping = chart.index, Grouping()
    for el in index.resources:
        if kind(el) == "Observation":
            for member in el.each("hasMember"):
                target = index.target(member)
                when = el.choice("effective", "DateTime", "Instant")[1]
                if target is not None and when:
                    grouping.times.setdefault(target.at, when)
    parent = parents(index)
    for el in index.resources:
        if el.get("status").text == "entered-in-error" or (
            kind(el) in _HISTORY and any(code == "entered-in-error" for _, code in codings(el.get("verificationStatus")))
        ):
            chart.notice("entered-in-error", el.at)
        elif kind(el) == "Patient":
            if patient is not None and el.at == patient.at:
                read_patient(chart, el)
                _parts(chart, el, None)
            else:
                chart.notice("other-patient", el.at)
        elif not _foreign(chart, el, patient, encounter):
            _resource(chart, el, grouping, parent)
    for subject, el in chart.later:
        read_response(chart, subject, el)
    for el in index.resources:
        if kind(el) == "Provenance":
            read_provenance(chart, el)


def _resource(chart: Chart, el: El, grouping: Grouping, parent: dict[str, El]) -> None:
    before = len(chart.of_resource.get(el.at, []))
    shape = own_shape(chart, el)
    special = shape is None or shape.slug in _STANDARD
    if kind(el) == "Practitioner":
        return
    if not special and shape is not None:
        if el.get("status").text in ("not-done", "cancelled", "intended") or el.choice("value", "Boolean")[1].value is False:
            chart.notice("not-used-status", el.at)
        else:
            read_shape(chart, el, shape)
    elif kind(el) == "Observation":
        read_observation(chart, el, grouping)
    elif kind(el) == "Procedure":
        read_procedure(chart, el, parent)
    elif kind(el) in _READERS:
        _READERS[kind(el)](chart, el)
    elif kind(el) not in _QUIET and not any(slug_of(part) for part in el.each("extension")):
        chart.notice("unknown-resource", el.at)
    made = chart.of_resource.get(el.at, [])[before:]
    _parts(chart, el, made[0] if len(made) == 1 else None)


_READERS = {
    "MedicationAdministration": read_medication,
    "DeviceUseStatement": read_device_use,
    "AllergyIntolerance": read_allergy,
    "Condition": read_condition,
    "AdverseEvent": read_adverse_event,
    "Communication": read_communication,
    "Composition": read_composition,
}
#: Lists with codes of their own in FHIR: read by those, and the extension of the profile adds the rest.
_STANDARD = {
    "application.limbs",
    "application.holds",
    "postures",
    "sedation.doses",
    "sedation.not_given",
    "monitoring.vitals",
    "monitoring.limb_checks",
}


def _parts(chart: Chart, el: El, made: Found | None) -> None:
    """The extensions of the profile on a resource: of its own item, of a section, of the whole episode."""
    for part in el.each("extension"):
        slug = slug_of(part)
        if slug in SHAPES:
            found = made if made is not None and made.cls is SHAPES[slug].cls else None
            if found is None:
                found = chart.item(slug, part)
            found.own = True
            chart.merge_parts(found, part)
        elif slug in SECTIONS:
            if any(x.get("url").text == "none" for x in part.each("extension")):
                chart.none[slug] = part.at
            else:
                chart.merge_parts(chart.section(slug, part), part)
        elif slug == EPISODE:
            chart.not_collected = [
                x.choice("value", "String", "Uri")[1].text for x in part.each("extension") if x.get("url").text == "not_collected"
            ]
            chart.merge_parts(chart.root, part)
        elif slug:
            chart.notice("unknown-part", part.at)


# ---------------------------------------------------------------- the episode


def _assemble(chart: Chart, encounter: El | None) -> tuple[dict[str, Any], dict[str, str]]:
    value: dict[str, Any] = {"episode_ref": "bundle"}
    places = {"": "Bundle"}
    ident = encounter.get("id") if encounter is not None else El(None, "")
    if re.fullmatch(r"[A-Za-z0-9.-]{1,64}", ident.text):
        value["episode_ref"], places["/episode_ref"] = ident.text, ident.at
    _copy(chart.root, "", value, places)
    for name, section in chart.sections.items():
        value[name] = section.data
        places[f"/{name}"] = section.at
        _copy(section, f"/{name}", section.data, places)
    for slug, items in chart.items.items():
        _list(chart, slug, items, value, places)
    for name, at in chart.none.items():
        if name in value:
            chart.notice("conflict", at)
        else:
            value[name], places[f"/{name}"] = {"none": True}, at
    for vital in value.get("monitoring", {}).get("vitals", []):
        _score(chart, vital)
    value["not_collected"] = left(value) if chart.not_collected is None else chart.not_collected
    return value, places


def _copy(found: Found, at: str, into: dict[str, Any], places: dict[str, str]) -> None:
    into.update(found.data)
    places.update({f"{at}/{path}": place for path, place in found.places.items()})


def _list(chart: Chart, slug: str, items: list[Found], value: dict[str, Any], places: dict[str, str]) -> None:
    section, _, name = slug.rpartition(".")
    whole = [found for found in items if not chart.lacks_required(found)]
    for found in items:
        if chart.lacks_required(found):
            chart.notice("item-not-readable", found.at)
    if not whole:
        return
    holder = value
    if section:
        places.setdefault(f"/{section}", whole[0].at)
        holder = value.setdefault(section, {})
    pointer = f"/{section}/{name}" if section else f"/{name}"
    if name in holder:
        chart.notice("conflict", places.get(pointer, "Bundle"))
    listed: list[dict[str, Any]] = []
    taken: set[str] = set()
    places[pointer] = whole[0].at
    for found in whole:
        ident = found.data.get("id")
        if type(ident) is str and ident in taken:
            chart.notice("duplicate-id", found.at)
            del found.data["id"]
        elif type(ident) is str:
            taken.add(ident)
        at = f"{pointer}/{len(listed)}"
        places[at] = found.at
        _copy(found, at, {}, places)
        listed.append(found.data)
    holder[name] = listed


def _score(chart: Chart, vital: dict[str, Any]) -> None:
    """A score that its scale does not have is left out."""
    scale, score = vital.get("agitation_scale"), vital.get("agitation_score")
    if isinstance(scale, str) and isinstance(score, int):
        low, high = fields.SCORES[scale]
        if not low <= score <= high:
            del vital["agitation_score"]
            chart.notice("out-of-bounds", "Bundle")


def _intake(chart: Chart, value: dict[str, Any], places: dict[str, str], document: dict[str, Any]) -> Intake:
    try:
        intake = episode_json.from_value(value)
    except Rejected as refusal:
        code = "too-many-items" if refusal.code == "too-many-items" else "invalid-episode"
        at = [_pointer(_near(places, item.pointer or "")) for item in refusal.errors]
        raise Rejected(422, code, [ProblemItem(code, _DETAILS[code], pointer=place) for place in at]) from None
    digest = "v1:" + hashlib.sha256(strict_json.canonical(document)).hexdigest()
    told = [Notice(n.code, n.detail, _near(places, n.pointer)) for n in intake.notices]
    return dataclasses.replace(intake, language="fhirpath", places=places, notices=(*told, *chart.notices()), digest=digest)


def _near(places: dict[str, str], pointer: str) -> str:
    while pointer and pointer not in places:
        pointer = pointer.rsplit("/", 1)[0]
    return places[pointer]


def _pointer(path: str) -> str:
    """A FHIRPath of ours as RFC 6901 pointer to the resource it is in."""
    entry = re.match(r"Bundle\.entry\[(\d+)\]", path)
    return f"/entry/{entry.group(1)}/resource" if entry else ""

