"""The FHIR profile that we suggest: how every member of an episode stands in R4 resources, so that nothing is lost.

It has two means, both optional for a sender, both known by name and never fetched:

* **Codes.** ``<BASE>/CodeSystem/<slug>`` holds the words of one list of the
  episode; a slug is the member path with dots (``decision.alternatives``,
  ``monitoring.events``). A resource whose code (``Device.type`` for a device
  use) carries such a coding is an item of that list. ``<slug>.<member>``
  holds the words of a member (``application.limbs.device``).
* **Extensions.** ``<BASE>/StructureDefinition/<slug>`` is a complex extension
  on any resource. Its parts are named like the members and hold their values
  (``valueCode``, ``valueBoolean``, ``valueInteger``, ``valueDecimal``,
  ``valueDateTime``, ``valueString``; nested objects as parts again; lists by
  repeating). ``none: true`` is an empty list or section; ``absent`` with
  ``reason`` says why a value is not there; ``empty: true`` is empty text.

The slug ``episode`` says that the Bundle is written to this profile: then
``not_collected`` parts state what the sender has no place for, and the table
of what plain FHIR cannot carry does not apply.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass
from typing import Any

from service.episode import declaration, record
from service.episode.absence import Absent
from service.episode.declaration import Node
from service.episode.moment import Moment
from service.episode.words import SIDES

from .codes import DISPOSITIONS, LOINC, SNOMED, Row, Table

#: Only a name: nothing is ever fetched from it (top-level domain of RFC 2606).
BASE = "https://restraint-review.example/fhir"
EPISODE = "episode"

Extension = dict[str, Any]


def url(slug: str) -> str:
    """Name of the extension of a slug."""
    return f"{BASE}/StructureDefinition/{slug}"


@functools.cache
def system(slug: str) -> str:
    """Name of the code system of a slug."""
    return f"{BASE}/CodeSystem/{slug}"


def coding(slug: str, word: str) -> dict[str, str]:
    """One of our words as a Coding."""
    return {"system": system(slug), "code": word}


#: Places of a restraint or check without a SNOMED code in our tables: (site, side), a side of None where none is asked.
PLACES = Table(
    tuple(
        Row(system("sites"), f"{side}-{site}" if side else site, (site, side), "this profile")
        for site, sides in (("hand", SIDES), ("foot", SIDES), ("torso", (*SIDES, None)), ("all", (*SIDES, None)))
        for side in sides
    )
)


@dataclass(frozen=True, slots=True)
class Shape:
    """How the items of one list stand as resources.

    ``word``: the member that is the resource's code. ``code``: its code where
    there is no such member (None: our own code ``item``). ``start`` and
    ``end``: the members that are its time. ``by``: the member that is its performer.
    """

    slug: str
    cls: type
    resource: str
    word: str | None = None
    code: dict[str, str] | None = None
    start: str | None = None
    end: str | None = None
    by: str | None = None


#: Resource type -> stem of the element that is its time.
TIME_ELEMENT = {
    "Observation": "effective",
    "Procedure": "performed",
    "DeviceUseStatement": "timing",
    "MedicationAdministration": "effective",
}


def _snomed(code: str, display: str) -> dict[str, str]:
    return {"system": SNOMED, "code": code, "display": display}


RESTRAINT = _snomed("386423001", "Physical restraint")
HOLD = _snomed("78086002", "Holding patient")
CAPNOGRAPHY = _snomed("284029005", "Capnography")
OXIMETRY = _snomed("252465000", "Pulse oximetry")
ECG = _snomed("46825001", "Electrocardiographic monitoring")
WATCH = _snomed("182777000", "Monitoring of patient")
LIMB_FINDINGS = {"system": LOINC, "code": "67533-0", "display": "Physical findings of Extremity NEMSIS"}
POSTURE = {"system": LOINC, "code": "8361-8", "display": "Body position with respect to gravity"}
PANEL = {"system": LOINC, "code": "85353-1", "display": "Vital signs panel"}

#: Lists whose items are resources, in the order in which they are written.
SHAPES = {
    shape.slug: shape
    for shape in (
        Shape("team.members", record.Person, "Practitioner"),
        Shape("decision.behaviours", record.Behaviour, "Observation", "behaviour", start="time"),
        Shape("decision.alternatives", record.Alternative, "Procedure", "measure", start="time"),
        Shape("stretcher.belts", record.Belt, "DeviceUseStatement", "place", start="on", end="off"),
        Shape("application.limbs", record.LimbRestraint, "Procedure", code=RESTRAINT, start="on", end="off"),
        Shape("application.holds", record.Hold, "Procedure", code=HOLD, start="start", end="end", by="by"),
        Shape("application.body_weight", record.BodyWeight, "Observation", "place", start="start", end="end"),
        Shape("postures", record.Posture, "Observation", code=POSTURE, start="start", end="end"),
        Shape("sedation.doses", record.Dose, "MedicationAdministration", start="time", by="given_by"),
        Shape("sedation.not_given", record.NotGiven, "MedicationAdministration", start="time"),
        Shape("monitoring.vitals", record.VitalSet, "Observation", code=PANEL, start="time"),
        Shape("monitoring.limb_checks", record.LimbCheck, "Observation", code=LIMB_FINDINGS, start="time", by="by"),
        Shape("monitoring.breathing_checks", record.BreathingCheck, "Observation", start="time"),
        Shape("monitoring.capnography", record.MonitorSpan, "Procedure", code=CAPNOGRAPHY, start="start", end="end"),
        Shape("monitoring.oximetry", record.MonitorSpan, "Procedure", code=OXIMETRY, start="start", end="end"),
        Shape("monitoring.ecg", record.MonitorSpan, "Procedure", code=ECG, start="start", end="end"),
        Shape(
            "monitoring.observation", record.ObservationSpan, "Procedure", code=WATCH, start="start", end="end", by="by"
        ),
        Shape("monitoring.actions", record.Action, "Procedure", "action", start="time", end="end", by="by"),
        Shape("monitoring.events", record.Event, "Observation", "event", start="time", end="end"),
        Shape("reassessments", record.Reassessment, "Observation", start="time"),
        Shape("custody.devices", record.PoliceDevice, "DeviceUseStatement", "device", start="on", end="off"),
        Shape("custody.face_covers", record.FaceCover, "DeviceUseStatement", "cover", start="on", end="off"),
        Shape("injuries.patient", record.Injury, "Condition", "kind"),
        Shape("injuries.complications", record.Complication, "AdverseEvent", "complication", start="time"),
    )
}

#: Objects that are no items: their members stand in an extension of the Patient or the Encounter.
SECTIONS: dict[str, type] = {
    member.name: member.kind.of
    for member in declaration.members(record.Episode)
    if isinstance(member.kind, declaration.Part)
}


# ---------------------------------------------------------------- writing


def _absence(name: str, value: Absent) -> list[Extension]:
    if value.state == "missing":
        return []
    parts: list[Extension] = [{"url": "absent", "valueCode": value.state}]
    if value.reason:
        parts.append({"url": "reason", "valueCode": value.reason})
    return [{"url": name, "extension": parts}]


def _nothing(name: str, word: str) -> list[Extension]:
    return [{"url": name, "extension": [{"url": word, "valueBoolean": True}]}]


def encode(name: str, kind: declaration.Kind, value: Any) -> list[Extension]:
    """One member as parts of a complex extension; none where it is missing."""
    if isinstance(value, Absent):
        return _absence(name, value)
    match kind:
        case declaration.Flag():
            return [{"url": name, "valueBoolean": value}]
        case declaration.Int():
            return [{"url": name, "valueInteger": value}]
        case declaration.Num():
            return [{"url": name, "valueDecimal": value}]
        case declaration.Code():
            return [{"url": name, "valueCode": value}]
        case declaration.Codes():
            return [{"url": name, "valueCode": word} for word in value] or _nothing(name, "none")
        case declaration.Idents():
            return [{"url": name, "valueString": ident} for ident in value] or _nothing(name, "none")
        case declaration.Time():
            return [{"url": name, "valueDateTime": stamp(value)}]
        case declaration.Ident() | declaration.Text():
            return [{"url": name, "valueString": value}] if value.strip() else _nothing(name, "empty")
        case declaration.Items():
            parts = [
                {"url": name, "extension": encode_members(item) or [{"url": "given", "valueBoolean": True}]}
                for item in value
            ]
            return parts or _nothing(name, "none")
        case declaration.Part():
            return [{"url": name, "extension": encode_members(value) or [{"url": "given", "valueBoolean": True}]}]
    raise TypeError(type(kind).__name__)


def disposition(how: str | Absent) -> dict[str, Any]:
    """The elements of an Encounter that say how care ended without transfer; none where the record does not."""
    if isinstance(how, Absent):
        return {}
    row = DISPOSITIONS.code_of(how)
    told = {"system": row.system, "code": row.code} if row else coding("transport.ended.how", how)
    return {"hospitalization": {"dischargeDisposition": {"coding": [told]}}}


def encode_members(node: Node, skip: frozenset[str] = frozenset()) -> list[Extension]:
    """The members of an object as parts of a complex extension, without those in ``skip``."""
    return [
        part
        for member in declaration.members(type(node))
        if member.name not in skip
        for part in encode(member.name, member.kind, getattr(node, member.name))
    ]


def stamp(time: Moment) -> str:
    """A time as a FHIR dateTime."""
    return time.when.isoformat()
