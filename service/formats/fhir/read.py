"""A FHIR R4 Bundle -> an episode. Every location is a FHIRPath from the Bundle.

Unknown resources, members and extensions do no harm, wrong types read as
nothing, references are looked up inside the Bundle and nowhere else, and what
could not be used is a notice with its place. Not read: names, addresses,
numbers and pictures of people, anything attached that is no plain text.
"""

from __future__ import annotations

import hashlib
import re
from typing import Any

from service.checkpoint import Checkpoint, never
from service.formats.collector import CANNOT_TELL
from service.formats.locations import nearest
from service.formats.values import lacks
from service.intake import episode_json, fields, strict_json
from service.intake.not_collected import PATHS
from service.intake.result import Intake
from service.problems import ProblemItem, Rejected

from .carried import EVERY_NOT_CARRIED
from .chart import Chart, Found
from .context import (
    finish_encounter,
    finish_patient,
    read_adverse_event,
    read_allergy,
    read_communication,
    read_composition,
    read_condition,
    read_document,
    read_patient,
    read_provenance,
)
from .medications import read_medication, read_response
from .observations import Grouping, read_observation
from .people import read_people
from .procedures import Parts, read_device_use, read_procedure
from .profile import EPISODE, SECTIONS, SHAPES
from .refusals import DETAILS, refuse, refuse_modifiers
from .shapes import own_shape, read_shape
from .tree import El, Index, Resource, codings
from .whose import HISTORY, Whose, foreign, whose_of

#: Types that give no notice: they are read through references, in a pass of their own, or hold nothing for a review.
_QUIET = {
    "Practitioner",
    "PractitionerRole",
    "Organization",
    "Location",
    "Device",
    "Medication",
    "Encounter",
    "Provenance",
    "Composition",
}
#: Reasons of a dose that make it a restraint, and lists whose items are one: (section, list).
_FOR_BEHAVIOR = ("danger", "allow_care", "convenience")
_RESTRAINT_LISTS = (("application", "limbs"), ("application", "holds"), ("custody", "devices"))


def read(body: bytes, checkpoint: Checkpoint = never) -> Intake:
    """Read the bytes of one Bundle.

    Raises Rejected: 400 not JSON; 422 ``not-a-bundle``, ``unsupported-version``, ``no-restraint``,
    ``several-charts``, ``too-many-items``, ``invalid-episode``. Their pointers
    are JSON Pointers into the Bundle.
    """
    document = strict_json.loads(body)
    if type(document) is not dict or document.get("resourceType") != "Bundle":
        refuse("not-a-bundle", "" if type(document) is not dict or "resourceType" not in document else "/resourceType")
    if b"implicitRules" in body or b"modifierExtension" in body or b"\\u" in body:
        refuse_modifiers(document)
    index = Index(document, checkpoint)
    chart = Chart(index)
    _whole_search(chart, El(document, "Bundle"))
    for entry in index.unreadable:
        chart.notice("not-a-resource", entry.at)
    whose = whose_of(index)
    read_people(chart)
    _resources(chart, whose, checkpoint)
    if whose.patient is not None:
        finish_patient(chart, whose.patient)
    if whose.encounter is not None:
        finish_encounter(chart, whose.encounter)
    value, places = _assemble(chart, whose.encounter)
    if not _restrained(chart, value):
        refuse("no-restraint", "")
    return _intake(chart, value, places, document, checkpoint)


def _whole_search(chart: Chart, bundle: El) -> None:
    """Say where a result of a search says that there is more of it than the Bundle holds."""
    matches = [
        each for each in bundle.each("entry") if each.get("search").text_of("mode") not in ("include", "outcome")
    ]
    total = bundle.number_of("total")
    more = any(link.text_of("relation") == "next" for link in bundle.each("link"))
    if more or (total is not None and total > len(matches)):
        chart.notice("incomplete-searchset", "Bundle")


def _restrained(chart: Chart, value: dict[str, Any]) -> bool:
    """Whether the Bundle tells of a restraint: by statement, hold, device or police device, or drug given for behavior."""
    return (
        chart.restrained
        or chart.not_collected is not None
        or any(_read_items(value, section, name) for section, name in _RESTRAINT_LISTS)
        or any(dose.get("reason") in _FOR_BEHAVIOR for dose in _read_items(value, "sedation", "doses"))
    )


def _read_items(value: dict[str, Any], section: str, name: str) -> list[dict[str, Any]]:
    """The items of a list of a section, none where section or list is absent."""
    items = value.get(section, {}).get(name)
    return items if type(items) is list else []


# ---------------------------------------------------------------- resources


def _resources(chart: Chart, whose: Whose, checkpoint: Checkpoint) -> None:
    index, grouping = chart.index, Grouping()
    for el in index.of_kind("Observation"):
        for member in el.each("hasMember"):
            target = index.target(member)
            when = el.choice("effective", "DateTime", "Instant")[1]
            if target is not None and when:
                grouping.times.setdefault(target.at, when)
    parts = Parts(index)
    for el in index.resources:
        checkpoint()
        if el.text_of("status") == "entered-in-error" or (
            el.kind in HISTORY and any(code == "entered-in-error" for _, code in codings(el.get("verificationStatus")))
        ):
            chart.notice("entered-in-error", el.at)
        elif el.kind == "Patient":
            if el.at == whose.patient_key:
                read_patient(chart, el)
                _parts(chart, el, None)
            else:
                chart.notice("other-patient", el.at)
        elif not foreign(chart, el, whose):
            _resource(chart, el, grouping, parts)
    for subject, response in chart.later:
        read_response(chart, subject, response)
    for el in index.of_kind("Provenance"):
        read_provenance(chart, el)


def _resource(chart: Chart, el: Resource, grouping: Grouping, parts: Parts) -> None:
    if el.kind == "Practitioner":
        return
    before = len(chart.of_resource.get(el.at, ()))
    shape = own_shape(chart, el)
    special = shape is None or shape.slug in _STANDARD
    if not special and shape is not None:
        if (
            el.text_of("status") in ("not-done", "cancelled", "intended")
            or el.choice("value", "Boolean")[1].value is False
        ):
            chart.notice("not-used-status", el.at)
        else:
            read_shape(chart, el, shape)
    elif el.kind == "Observation":
        read_observation(chart, el, grouping)
    elif el.kind == "Procedure":
        read_procedure(chart, el, parts)
    elif el.kind in _READERS:
        _READERS[el.kind](chart, el)
    elif el.kind not in _QUIET and not el.own:
        chart.notice("unknown-resource", el.at)
    made = chart.of_resource.get(el.at, ())[before:]
    _parts(chart, el, made[0] if len(made) == 1 else None)


_READERS = {
    "MedicationAdministration": read_medication,
    "DeviceUseStatement": read_device_use,
    "AllergyIntolerance": read_allergy,
    "Condition": read_condition,
    "AdverseEvent": read_adverse_event,
    "Communication": read_communication,
    "Composition": read_composition,
    "DocumentReference": read_document,
}
#: Lists for which FHIR has codes of its own: resources are read by those, and the extension of the profile adds the rest.
_STANDARD = {
    "application.limbs",
    "application.holds",
    "postures",
    "sedation.doses",
    "sedation.not_given",
    "monitoring.vitals",
    "monitoring.limb_checks",
}


def _parts(chart: Chart, el: Resource, made: Found | None) -> None:
    """Read the extensions of the profile on a resource: of the item made from it, of a section, of the whole episode."""
    for slug, part in el.own:
        if slug in SHAPES:
            found = made if made is not None and made.cls is SHAPES[slug].cls else None
            if found is None:
                found = chart.item(slug, part)
            found.own = True
            chart.merge_parts(found, part)
        elif slug in SECTIONS:
            if any(x.text_of("url") == "none" for x in part.each("extension")):
                chart.none[slug] = part
            else:
                chart.merge_parts(chart.section(slug, part), part)
        elif slug == EPISODE:
            chart.not_collected = []
            for stated in part.each("extension"):
                if stated.text_of("url") == "not_collected":
                    path = stated.choice("value", "String", "Uri")[1].text
                    if path in PATHS:
                        chart.not_collected.append(path)
                    else:
                        chart.notice("unknown-part", stated.at)
            chart.merge_parts(chart.root, part)
        else:
            chart.notice("unknown-part", part.at)


# ---------------------------------------------------------------- the episode


def _assemble(chart: Chart, encounter: El | None) -> tuple[dict[str, Any], dict[str, El]]:
    """(the episode as our own JSON has it, JSON Pointer -> element)."""
    value: dict[str, Any] = {"episode_ref": "bundle"}
    places = {"": El(None, "Bundle")}
    ident = encounter.get("id") if encounter is not None else El(None, "")
    if re.fullmatch(r"[A-Za-z0-9.-]{1,64}", ident.text):
        value["episode_ref"], places["/episode_ref"] = ident.text, ident
    _copy(chart.root, "", value, places)
    # A section is no resource: what is absent in it points at the Encounter, else at the Bundle.
    home = encounter if encounter is not None else places[""]
    for name, section in chart.sections.items():
        value[name] = section.data
        own = isinstance(section.el, Resource) and section.el.kind in ("Patient", "Encounter")
        places[f"/{name}"] = section.el if own else home
        _copy(section, f"/{name}", section.data, places)
    for slug, items in chart.items.items():
        _list(chart, slug, items, value, places, home)
    for name, el in chart.none.items():
        if name in value:
            chart.notice("conflict", el.at)
        else:
            value[name], places[f"/{name}"] = {"none": True}, el
    _charted_in_words(chart, value, places)
    for vital in _read_items(value, "monitoring", "vitals"):
        _score(chart, vital)
    value["not_collected"] = list(EVERY_NOT_CARRIED) if chart.not_collected is None else chart.not_collected
    return value, places


def _charted_in_words(chart: Chart, value: dict[str, Any], places: dict[str, El]) -> None:
    """Set ``CANNOT_TELL`` for reasons and postures that are charted in words or codes that are not understood."""
    decision = value.get("decision", {})
    if chart.reason and "reasons" not in decision and "absent" not in decision:
        decision["reasons"], places["/decision/reasons"] = CANNOT_TELL, chart.reason
        value["decision"] = decision
        places.setdefault("/decision", chart.reason)
    if chart.posture and "postures" not in value:
        value["postures"], places["/postures"] = CANNOT_TELL, chart.posture


def _copy(found: Found, at: str, into: dict[str, Any], places: dict[str, El]) -> None:
    into.update(found.data)
    places.update({f"{at}/{path}": place for path, place in found.places.items()})


def _list(chart: Chart, slug: str, items: list[Found], value: dict[str, Any], places: dict[str, El], home: El) -> None:
    section, _, name = slug.rpartition(".")
    whole = []
    for found in items:
        if lacks(found.cls, found.data):
            chart.notice("item-not-readable", found.el.at)
        else:
            whole.append(found)
    if not whole:
        return
    holder = value
    if section:
        places.setdefault(f"/{section}", home)
        holder = value.setdefault(section, {})
        if "absent" in holder:
            chart.notice("conflict", places[f"/{section}"].at)
            holder = value[section] = {}
    pointer = f"/{section}/{name}" if section else f"/{name}"
    if name in holder:
        chart.notice("conflict", (places.get(pointer) or places[""]).at)
    listed: list[dict[str, Any]] = []
    taken: set[str] = set()
    places[pointer] = whole[0].el
    for found in whole:
        ident = found.data.get("id")
        if type(ident) is str and ident in taken:
            chart.notice("duplicate-id", found.el.at)
            del found.data["id"]
        elif type(ident) is str:
            taken.add(ident)
        at = f"{pointer}/{len(listed)}"
        chart.tell_unread(found, at)
        places[at] = found.el
        _copy(found, at, {}, places)
        listed.append(found.data)
    holder[name] = listed


def _score(chart: Chart, vital: dict[str, Any]) -> None:
    """Leave out a score that its scale does not have, with a notice."""
    scale, score = vital.get("agitation_scale"), vital.get("agitation_score")
    if isinstance(scale, str) and isinstance(score, int):
        low, high = fields.SCORES[scale]
        if not low <= score <= high:
            del vital["agitation_score"]
            chart.notice("out-of-bounds", "Bundle")


def _intake(
    chart: Chart, value: dict[str, Any], places: dict[str, El], document: dict[str, Any], checkpoint: Checkpoint
) -> Intake:
    try:
        intake = episode_json.from_made(value, checkpoint, stated=chart.not_collected is not None)
    except Rejected as refusal:
        code = "too-many-items" if refusal.code == "too-many-items" else "invalid-episode"
        found = [
            ProblemItem(code, DETAILS[code], pointer=_pointer(nearest(places, each.pointer or "")), count=each.count)
            for each in refusal.errors
        ]
        raise Rejected(422, code, found, sum(each.count for each in found) + refusal.omitted) from None
    digest = "v1:" + hashlib.sha256(strict_json.canonical(document)).hexdigest()
    return chart.finished(intake, places, "fhirpath", digest)


def _pointer(path: str) -> str:
    """The JSON Pointer of the resource in which a FHIRPath lies."""
    entry = re.match(r"Bundle\.entry\[(\d+)\]", path)
    return f"/entry/{entry.group(1)}/resource" if entry else ""
