"""FHIR bundles for tests: small ones built by hand, the shared files where they are, and an independent FHIRPath."""

from __future__ import annotations

import json
from typing import Any

from service.episode.absence import Absent
from service.episode.declaration import Node, members
from service.episode.moment import Moment
from service.formats.fhir import read as fhir_reader
from service.intake.result import Intake
from tests.support import standards

Resource = dict[str, Any]
SNOMED, LOINC, RXNORM = "http://snomed.info/sct", "http://loinc.org", "http://www.nlm.nih.gov/research/umls/rxnorm"
ABSENT = "http://terminology.hl7.org/CodeSystem/data-absent-reason"
LEFT_WRIST, RIGHT_WRIST, LEFT_ANKLE = "5951000", "9736006", "51636004"


def shared(name: str) -> bytes:
    """A file of the shared folder; skips where it is not."""
    return standards.shared(name).read_bytes()


def concept(system: str, code: str, **more: Any) -> Resource:
    """A CodeableConcept with one coding."""
    return {"coding": [{"system": system, "code": code}], **more}


def at(clock: str) -> str:
    """A time of the day of the tests."""
    return f"2031-04-12T{clock}:00-06:00"


def restraint(**more: Any) -> Resource:
    """A restraint of the left wrist from 18:00 to 18:30."""
    return {
        "resourceType": "Procedure",
        "id": "r1",
        "status": "completed",
        "code": concept(SNOMED, "386423001"),
        "performedPeriod": {"start": at("18:00"), "end": at("18:30")},
        "bodySite": [concept(SNOMED, LEFT_WRIST)],
    } | more


def observation(code: str, clock: str | None = "18:05", system: str = LOINC, **more: Any) -> Resource:
    """An Observation."""
    time = {"effectiveDateTime": at(clock)} if clock else {}
    return {"resourceType": "Observation", "status": "final", "code": concept(system, code), **time, **more}


def quantity(value: Any, unit: str, **more: Any) -> Resource:
    """A Quantity in UCUM."""
    return {"value": value, "unit": unit, "system": "http://unitsofmeasure.org", "code": unit, **more}


def sign(code: str, value: Any, unit: str, clock: str = "18:05", **more: Any) -> Resource:
    """One vital sign."""
    return observation(code, clock, valueQuantity=quantity(value, unit), **more)


def drug(code: str = "6960", **more: Any) -> Resource:
    """5 mg of midazolam into the muscle at 18:10."""
    return {
        "resourceType": "MedicationAdministration",
        "status": "completed",
        "medicationCodeableConcept": concept(RXNORM, code),
        "effectiveDateTime": at("18:10"),
        "dosage": {"route": concept(SNOMED, "78421000"), "dose": quantity(5, "mg")},
    } | more


def bundle(*resources: Resource, alone: bool = False) -> Resource:
    """A Bundle of the resources, after a restraint unless ``alone``. Resources with an id get a fullUrl."""
    every = resources if alone else (restraint(), *resources)
    entries = []
    for resource in every:
        entry: Resource = {"resource": resource}
        if isinstance(resource, dict) and "id" in resource:
            entry["fullUrl"] = f"https://fhir.example/{resource['resourceType']}/{resource['id']}"
        entries.append(entry)
    return {"resourceType": "Bundle", "type": "collection", "entry": entries}


def read(document: Any) -> Intake:
    """Through the reader."""
    return fhir_reader.read(json.dumps(document).encode("utf-8"))


def episode(*resources: Resource, alone: bool = False) -> Resource:
    """What the resources say, as plain data; times as text; absent values as ``(state, reason)``; missing ones left out."""
    return plain(read(bundle(*resources, alone=alone)).episode)


def codes(intake: Intake) -> list[str]:
    """The codes of the notices, sorted, each once."""
    return sorted({notice.code for notice in intake.notices})


def plain(node: Any) -> Any:
    """A model object as plain data, without what is missing or has no place."""
    if isinstance(node, tuple):
        return [plain(item) for item in node]
    if isinstance(node, Absent):
        return (node.state, node.reason)
    if isinstance(node, Node):
        values = {m.name: getattr(node, m.name) for m in members(type(node))}
        return {k: plain(v) for k, v in values.items() if not (isinstance(v, Absent) and v.state == "missing")}
    return node.when.isoformat() if isinstance(node, Moment) else node


def recorded(node: Any) -> Any:
    """The same without values that are absent for whatever reason."""
    value = plain(node)
    return _bare(value)


def _bare(value: Any) -> Any:
    if isinstance(value, dict):
        return {k: _bare(v) for k, v in value.items() if not isinstance(v, tuple)}
    return [_bare(v) for v in value] if isinstance(value, list) else value


def walk(document: Any, path: str) -> list[Any]:
    """What a simple FHIRPath of ours leads to: names, indexes, and choice elements by their stem."""
    found = [document]
    for step in path.removeprefix("Bundle").strip(".").split(".") if path != "Bundle" else []:
        name, _, index = step.partition("[")
        below = [value for value in found if isinstance(value, dict)]
        named = [v[name] for v in below if name in v] or [
            v[key] for v in below for key in v if key.startswith(name) and key[len(name) : len(name) + 1].isupper()
        ]
        found = [item for value in named for item in (value if isinstance(value, list) else [value])]
        if index:
            found = found[int(index.rstrip("]")) :][:1]
    return [value for value in found if value is not None]


def told(*resources: dict[str, Any], alone: bool = False) -> Any:
    """What a Bundle of these resources records."""
    return recorded(read(bundle(*resources, alone=alone)).episode)


def noticed(*resources: dict[str, Any], alone: bool = False) -> list[str]:
    """The codes of its notices."""
    return codes(read(bundle(*resources, alone=alone)))
