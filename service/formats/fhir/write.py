"""An episode as a FHIR R4 Bundle, by the profile of ``service.formats.fhir.profile``: nothing of it is lost.

What FHIR has a place for stands there, in standard codes where one is known; the rest stands in the extensions of the
profile. Reading the Bundle back gives the same episode. Acceptances and the ``extensions`` members of a JSON body are
not written: the episode does not keep them.
"""

from __future__ import annotations

import json
import uuid
from collections.abc import Callable
from typing import Any

from service.episode import declaration, record
from service.episode.absence import MISSING, Absent
from service.episode.declaration import Node
from service.episode.drugs import DRUGS
from service.formats.meaning import READ
from service.intake import episode_json

from . import codes, profile
from .profile import PANEL, SECTIONS, SHAPES, TIME_ELEMENT, Shape, coding, encode, encode_members, stamp

Resource = dict[str, Any]
#: Vital sign that is written as a component -> its UCUM unit.
_UCUM = {
    "hr": "/min",
    "rr": "/min",
    "spo2": "%",
    "etco2_mmhg": "mm[Hg]",
    "sbp": "mm[Hg]",
    "dbp": "mm[Hg]",
    "temperature_c": "Cel",
    "glucose_mg_dl": "mg/dL",
    "gcs_eye": "{score}",
    "gcs_verbal": "{score}",
    "gcs_motor": "{score}",
    "gcs_total": "{score}",
    "qtc_ms": "ms",
}
_ABSENT_URL = "http://hl7.org/fhir/StructureDefinition/data-absent-reason"


def bundle(episode: record.Episode) -> dict[str, Any]:
    """The Bundle (type ``collection``) as plain data. The same episode gives the same Bundle."""
    return _Writer(episode).bundle()


def encoded(episode: record.Episode) -> bytes:
    """The Bundle as UTF-8 JSON, for a person to read."""
    return json.dumps(bundle(episode), ensure_ascii=False, indent=1).encode("utf-8") + b"\n"


def _known(value: Any) -> bool:
    return not isinstance(value, Absent)


class _Writer:
    def __init__(self, episode: record.Episode) -> None:
        self._episode = episode
        self._entries: list[dict[str, Any]] = []
        self._ids: set[tuple[str, str]] = set()
        self._people: dict[str, str] = {}

    def bundle(self) -> dict[str, Any]:
        episode = self._episode
        self._patient = self._add({"resourceType": "Patient"})
        self._encounter = self._add(
            {
                "resourceType": "Encounter",
                "status": "finished",
                "class": {
                    "system": "http://terminology.hl7.org/CodeSystem/v3-ActCode",
                    "code": "FLD",
                    "display": "field",
                },
                "subject": self._to(self._patient),
            },
            episode.episode_ref if "_" not in episode.episode_ref else None,
        )
        self._entries[0]["resource"] |= self._about_patient()
        for shape in SHAPES.values():
            for item in _items(episode, shape.slug):
                self._item(shape, item)
        if type(episode.narrative) is not Absent and episode.narrative.strip():
            self._add(
                self._observation({"system": codes.LOINC, "code": "67781-5"}) | {"valueString": episode.narrative}
            )
        ended, parts = profile.disposition(episode.transport.ended.how), self._whole() + self._sections()
        self._entries[1]["resource"] |= {**ended, "extension": parts}
        return {"resourceType": "Bundle", "type": "collection", "entry": self._entries}

    # -------------------------------------------------------- entries

    def _add(self, resource: Resource, ident: Any = None) -> str:
        """Append a resource; its fullUrl. ``ident`` becomes its id where FHIR allows that and no other of the type has it."""
        # Version 5: the same name gives the same UUID.
        name = f"{profile.BASE}/{self._episode.episode_ref}/{len(self._entries)}"
        full_url = f"urn:uuid:{uuid.uuid5(uuid.NAMESPACE_URL, name)}"
        if self._takes(resource["resourceType"], ident):
            self._ids.add((resource["resourceType"], ident))
            resource = {"resourceType": resource["resourceType"], "id": ident, **resource}
        self._entries.append({"fullUrl": full_url, "resource": resource})
        return full_url

    def _takes(self, resource_type: str, ident: Any) -> bool:
        return isinstance(ident, str) and "_" not in ident and (resource_type, ident) not in self._ids

    @staticmethod
    def _to(full_url: str) -> dict[str, str]:
        return {"reference": full_url}

    def _observation(self, code: dict[str, str]) -> Resource:
        return {
            "resourceType": "Observation",
            "status": "final",
            "code": {"coding": [code]},
            "subject": self._to(self._patient),
            "encounter": self._to(self._encounter),
        }

    # -------------------------------------------------------- patient, sections

    def _about_patient(self) -> Resource:
        patient = self._episode.patient
        if not isinstance(patient, record.Patient):
            return {}
        out: Resource = {}
        skip = set()
        if _known(patient.sex):
            out["gender"] = patient.sex
            skip.add("sex")
        if isinstance(patient.age, record.Age):
            skip.add("age")
            quantity = {"value": patient.age.value, "system": codes.UCUM, "code": patient.age.unit}
            self._add(
                self._observation({"system": codes.LOINC, "code": "30525-0", "display": "Age"})
                | {"valueQuantity": quantity}
            )
        if _known(patient.weight_kg):
            skip.add("weight_kg")
            code = {"system": codes.LOINC, "code": "29463-7", "display": "Body weight"}
            self._add(
                self._observation(code)
                | {"valueQuantity": {"value": patient.weight_kg, "system": codes.UCUM, "code": "kg"}}
            )
        for word in patient.allergies if isinstance(patient.allergies, tuple) else ():
            skip.add("allergies")
            self._add(
                {
                    "resourceType": "AllergyIntolerance",
                    "code": {"coding": [_drug(word, "patient.allergies")]},
                    "patient": self._to(self._patient),
                }
            )
        parts = encode_members(patient, frozenset(skip))
        if parts or not skip:
            out["extension"] = [{"url": profile.url("patient"), "extension": parts or _given()}]
        return out

    def _whole(self) -> list[Resource]:
        """The extension of the whole episode: its reference, absent sections, empty lists."""
        parts: list[Resource] = []
        for member in declaration.members(record.Episode):
            value = getattr(self._episode, member.name)
            empty = value == () or (isinstance(value, str) and not value.strip())
            if isinstance(value, Absent) or empty:
                parts += encode(member.name, member.kind, value)
        if "_" in self._episode.episode_ref:
            parts += encode("episode_ref", declaration.Ident(), self._episode.episode_ref)
        return [{"url": profile.url(profile.EPISODE), "extension": parts or _given()}]

    def _sections(self) -> list[Resource]:
        out = []
        for name, cls in SECTIONS.items():
            section: Any = getattr(self._episode, name)
            if name == "patient" or isinstance(section, Absent):
                continue
            if section == _none(name):
                out.append({"url": profile.url(name), "extension": [{"url": "none", "valueBoolean": True}]})
                continue
            lists = {
                m.name for m in declaration.members(cls) if f"{name}.{m.name}" in SHAPES and getattr(section, m.name)
            }
            parts = encode_members(section, frozenset(lists))
            if parts or not lists:
                out.append({"url": profile.url(name), "extension": parts or _given()})
        return out

    # -------------------------------------------------------- items

    def _item(self, shape: Shape, item: Any) -> None:
        resource: Resource = {"resourceType": shape.resource}
        used: set[str] = set()
        if shape.resource in TIME_ELEMENT:
            resource["status"] = "final" if shape.resource == "Observation" else "completed"
        if shape.slug in _SPECIAL:
            _SPECIAL[shape.slug](self, resource, item, used)
        else:
            self._coded(shape, resource, item, used)
        if shape.resource not in ("Practitioner", "AdverseEvent"):
            resource["subject"] = self._to(self._patient)
        if shape.resource == "AdverseEvent":
            resource |= {"actuality": "actual", "subject": self._to(self._patient)}
        if shape.resource in ("Observation", "Procedure", "Condition", "AdverseEvent"):
            resource["encounter"] = self._to(self._encounter)
        elif shape.resource == "MedicationAdministration":
            resource["context"] = self._to(self._encounter)
        self._time(shape, resource, item, used)
        self._performer(shape, resource, item, used)
        ident = item.id
        if shape.resource != "Practitioner" and self._takes(shape.resource, ident):
            used.add("id")
        parts = encode_members(item, frozenset(used))
        resource["extension"] = [{"url": profile.url(shape.slug), "extension": parts or _given()}]
        full_url = self._add(resource, ident if "id" in used else None)
        if shape.slug == "team.members" and isinstance(ident, str):
            self._people[ident] = full_url

    def _coded(self, shape: Shape, resource: Resource, item: Any, used: set[str]) -> None:
        word = getattr(item, shape.word) if shape.word else None
        code = shape.code or (coding(shape.slug, word) if isinstance(word, str) else coding(shape.slug, "item"))
        if isinstance(word, str):
            used.add(shape.word or "")
        if shape.resource == "DeviceUseStatement":
            resource["contained"] = [{"resourceType": "Device", "id": "device", "type": {"coding": [code]}}]
            resource["device"] = {"reference": "#device"}
        elif shape.resource == "AdverseEvent":
            resource["event"] = {"coding": [code]}
        elif shape.resource != "Practitioner":
            resource["code"] = {"coding": [code]}
        if shape.resource == "Observation" and shape.word:
            resource["valueBoolean"] = True

    def _time(self, shape: Shape, resource: Resource, item: Any, used: set[str]) -> None:
        start: Any = getattr(item, shape.start) if shape.start else MISSING
        end: Any = getattr(item, shape.end) if shape.end else MISSING
        stem = TIME_ELEMENT.get(shape.resource)
        if stem and _known(end):
            period = {name: stamp(time) for name, time in (("start", start), ("end", end)) if _known(time)}
            resource[f"{stem}Period"] = period
        elif _known(start):
            resource[f"{stem}DateTime" if stem else "date"] = stamp(start)
        elif shape.resource == "MedicationAdministration":
            # FHIR requires a time there; this says that it is not known.
            resource["effectivePeriod"] = {"extension": [{"url": _ABSENT_URL, "valueCode": "unknown"}]}
        used |= {name for name, time in ((shape.start, start), (shape.end, end)) if name and _known(time)}

    def _performer(self, shape: Shape, resource: Resource, item: Any, used: set[str]) -> None:
        person = getattr(item, shape.by) if shape.by else None
        if isinstance(person, str) and person in self._people:
            reference = self._to(self._people[person])
            resource["performer"] = [reference if shape.resource == "Observation" else {"actor": reference}]
            used.add(shape.by or "")

    # -------------------------------------------------------- lists with codes of their own in FHIR

    def _limb(self, resource: Resource, item: record.LimbRestraint, used: set[str]) -> None:
        resource["code"] = {"coding": [profile.RESTRAINT]}
        resource["bodySite"] = [_site(item)]
        used |= {"site", "side"}
        if isinstance(item.device, str):
            resource["usedCode"] = [{"coding": [coding("application.limbs.device", item.device)]}]
            used.add("device")

    def _hold(self, resource: Resource, item: record.Hold, used: set[str]) -> None:
        resource["code"] = {"coding": [profile.HOLD]}
        resource["bodySite"] = [{"coding": [coding("application.holds", item.part)]}]
        used.add("part")

    def _posture(self, resource: Resource, item: record.Posture, used: set[str]) -> None:
        resource["code"] = {"coding": [profile.POSTURE]}
        row = codes.POSTURES.code_of(item.posture) if item.posture != "other" else None
        resource["valueCodeableConcept"] = {"coding": [_row(row) if row else coding("postures.posture", item.posture)]}
        used.add("posture")

    def _dose(self, resource: Resource, item: record.Dose, used: set[str]) -> None:
        resource["medicationCodeableConcept"] = {"coding": [_drug(item.drug, "sedation.drug")]}
        used.add("drug")
        if not _known(item.dose):
            return
        dosage: Resource = {"dose": {"value": item.dose}}
        used.add("dose")
        if isinstance(item.unit, str):
            dosage["dose"] = _quantity(item.dose, item.unit)
            used.add("unit")
        if isinstance(item.route, str):
            row = codes.ROUTES.code_of(item.route) if item.route != "other" else None
            dosage["route"] = {"coding": [_row(row) if row else coding("sedation.doses.route", item.route)]}
            used.add("route")
        resource["dosage"] = dosage

    def _not_given(self, resource: Resource, item: record.NotGiven, used: set[str]) -> None:
        resource["status"] = "not-done"
        if isinstance(item.drug, str):
            resource["medicationCodeableConcept"] = {"coding": [_drug(item.drug, "sedation.drug")]}
            used.add("drug")
        else:
            resource["medicationCodeableConcept"] = _concept(codes.ABSENT_REASON, "unknown")
        if isinstance(item.reason, str):
            resource["statusReason"] = [{"coding": [coding("sedation.not_given.reason", item.reason)]}]
            used.add("reason")

    def _vitals(self, resource: Resource, item: record.VitalSet, used: set[str]) -> None:
        resource["category"] = [_concept("http://terminology.hl7.org/CodeSystem/observation-category", "vital-signs")]
        resource["code"] = {"coding": [PANEL]}
        components: list[Resource] = []
        for sign, unit in _UCUM.items():
            value = getattr(item, sign)
            if value == MISSING:
                continue
            used.add(sign)
            component: Resource = {"code": _sign_code(sign)}
            if isinstance(value, Absent):
                component["dataAbsentReason"] = _reason(value)
            else:
                component["valueQuantity"] = _quantity(value, unit)
            components.append(component)
        for sign, table in (("acvpu", codes.AVPU), ("rhythm", codes.RHYTHMS)):
            word = getattr(item, sign)
            if isinstance(word, str):
                used.add(sign)
                row = next((r for r in table.rows if r.means == word and r.source == READ), None)
                answer = _row(row) if row else coding(f"monitoring.vitals.{sign}", word)
                components.append({"code": _sign_code(sign), "valueCodeableConcept": {"coding": [answer]}})
        if item.agitation_scale == "rass" and isinstance(item.agitation_score, int):
            used |= {"agitation_scale", "agitation_score"}
            score = _quantity(item.agitation_score, "{score}")
            components.append({"code": _sign_code("rass"), "valueQuantity": score})
        if components:
            resource["component"] = components

    def _check(self, resource: Resource, item: record.LimbCheck, used: set[str]) -> None:
        resource["code"] = {"coding": [profile.LIMB_FINDINGS]}
        resource["bodySite"] = _site(item)
        used |= {"site", "side"}
        components: list[Resource] = []
        for member in ("pulse", "motor", "sensation", "skin"):
            word = getattr(item, member)
            if isinstance(word, str):
                used.add(member)
                row = codes.LIMB_FINDINGS.code_of((member, word))
                sent = (
                    _row(row)
                    if row and row.system == codes.SNOMED
                    else coding(f"monitoring.limb_checks.{member}", word)
                )
                components.append({"code": {"coding": [sent]}, "valueBoolean": True})
        if _known(item.cap_refill_s):
            used.add("cap_refill_s")
            code = {"coding": [_row(codes.CAPILLARY_REFILL.rows[0])]}
            components.append({"code": code, "valueQuantity": _quantity(item.cap_refill_s, "s")})
        if components:
            resource["component"] = components


_SPECIAL: dict[str, Callable[[_Writer, Resource, Any, set[str]], None]] = {
    "application.limbs": _Writer._limb,
    "application.holds": _Writer._hold,
    "postures": _Writer._posture,
    "sedation.doses": _Writer._dose,
    "sedation.not_given": _Writer._not_given,
    "monitoring.vitals": _Writer._vitals,
    "monitoring.limb_checks": _Writer._check,
}


def _given() -> list[Resource]:
    """The part of an extension that has no other: FHIR has no empty extension."""
    return [{"url": "given", "valueBoolean": True}]


def _items(episode: record.Episode, slug: str) -> tuple[Node, ...]:
    value: Any = episode
    for step in slug.split("."):
        value = getattr(value, step)
    return value if isinstance(value, tuple) else ()


def _none(section: str) -> Any:
    """A section as it is read from ``{"none": true}``; None for one that cannot say so."""
    kind = declaration.by_name(record.Episode)[section].kind
    if not isinstance(kind, declaration.Part) or not kind.may_be_none:
        return None
    return getattr(episode_json.from_value({"episode_ref": "none", section: {"none": True}}).episode, section)


def _concept(system: str, code: str) -> Resource:
    """A concept with one coding."""
    return {"coding": [{"system": system, "code": code}]}


def _quantity(value: Any, unit: str) -> Resource:
    """A quantity. ``unit``: UCUM, for people too."""
    return {"value": value, "unit": unit, "system": codes.UCUM, "code": unit}


def _row(row: codes.Row) -> dict[str, str]:
    return {"system": row.system, "code": row.code}


def _sign_code(sign: str) -> Resource:
    if sign == "etco2_mmhg":
        return _concept(codes.LOINC, "19891-1")  # the first in the table is a fraction, not a pressure
    row = codes.SIGNS.code_of(sign)
    if row is None:
        raise KeyError(sign)
    return _concept(row.system, row.code)


def _site(item: record.LimbRestraint | record.LimbCheck) -> Resource:
    side = None if isinstance(item.side, Absent) else item.side
    where = (item.site, side)
    row = codes.SITES.code_of(where) or profile.PLACES.code_of(where)
    if row is None:
        raise KeyError(where)
    return {"coding": [_row(row)], "text": f"{side} {item.site}" if side else item.site}


def _drug(drug: str, slug: str) -> dict[str, str]:
    return {"system": codes.RXNORM, "code": DRUGS[drug].rxcui, "display": drug} if drug in DRUGS else coding(slug, drug)


def _reason(value: Absent) -> Resource:
    if value.state == "not_collected":
        return _concept(codes.ABSENT_REASON, "unsupported")
    return {
        "coding": [
            {"system": codes.ABSENT_REASON, "code": "not-performed"},
            coding("declined", value.reason or "other"),
        ]
    }
