"""The benchmark episode as other formats have it: a FHIR Bundle and a NEMSIS document.

The Bundle is written by the service's own writer and loses nothing. The
NEMSIS document holds what the standard's elements have a place for: vital
signs, limb checks, doses, procedures, crew, times.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from xml.sax.saxutils import escape, quoteattr

from service.episode.drugs import DRUGS
from service.formats.fhir import write as fhir_writer
from service.formats.nemsis import codes
from service.intake import episode_json
from tests.support.episodes import Document

_VITALS = (
    ("eVitals.BloodPressureGroup", (("eVitals.06", "sbp"), ("eVitals.07", "dbp"))),
    ("eVitals.HeartRateGroup", (("eVitals.10", "hr"),)),
    ("", (("eVitals.12", "spo2"), ("eVitals.14", "rr"), ("eVitals.16", "etco2_mmhg"), ("eVitals.18", "glucose_mg_dl"))),
    ("eVitals.GlasgowScoreGroup", (("eVitals.19", "gcs_eye"), ("eVitals.20", "gcs_verbal"), ("eVitals.21", "gcs_motor"), ("eVitals.23", "gcs_total"))),
    ("eVitals.TemperatureGroup", (("eVitals.24", "temperature_c"),)),
)  # fmt: skip
_RESTRAINT_AND_HOLD = ("386423001", "78086002")


def fhir(document: Document) -> bytes:
    """A Bundle."""
    intake = episode_json.from_value(document)
    return json.dumps(fhir_writer.bundle(intake.episode), ensure_ascii=False, separators=(",", ":")).encode()


def _code(table: dict[str, codes.Code], word: str) -> str:
    return next((code for code, known in table.items() if known.word == word), "")


def _element(name: str, *inner: str, **attributes: str) -> str:
    written = "".join(f" {key}={quoteattr(value)}" for key, value in attributes.items())
    return f"<{name}{written}>{''.join(inner)}</{name}>"


def _value(name: str, value: object, **attributes: str) -> str:
    return "" if value in (None, "") else _element(name, escape(str(value)), **attributes)


def _vital(vital: Document) -> str:
    parts = [_value("eVitals.01", vital["time"]), _value("eVitals.02", codes.NO)]
    for group, members in _VITALS:
        inner = "".join(
            _value(name, vital.get(member), **({"ETCO2Type": codes.MMHG} if member == "etco2_mmhg" else {}))
            for name, member in members
        )
        parts.append(_element(group, inner) if group else inner)
    parts.append(_value("eVitals.26", _code(codes.ACVPU, vital.get("acvpu", ""))))
    return _element("eVitals.VitalGroup", *parts, CorrelationID=vital["id"])


def _check(check: Document) -> str:
    place = next(code for code, site in codes.LIMB_SITE.items() if site == (check["site"], check["side"]))
    findings = [_value("eExam.16", _code(table, check.get(member, ""))) for member, table in codes.LIMB_FINDING.items()]
    limb = _element("eExam.ExtremityGroup", _value("eExam.15", place), *findings, CorrelationID=check["id"])
    return _element("eExam.AssessmentGroup", _value("eExam.03", check["time"]), limb)


def _procedures(document: Document) -> Iterator[str]:
    whole = document["application"]
    for code, time in zip(_RESTRAINT_AND_HOLD, (whole["started"], whole["holds"][0]["start"]), strict=True):
        yield _element("eProcedures.ProcedureGroup", _value("eProcedures.01", time), _value("eProcedures.03", code))


def _dose(dose: Document) -> str:
    amount = _value("eMedications.05", dose["dose"]) + _value("eMedications.06", _code(codes.DOSE_UNIT, dose["unit"]))
    return _element(
        "eMedications.MedicationGroup",
        _value("eMedications.01", dose["time"]),
        _value("eMedications.03", DRUGS[dose["drug"]].rxcui, CodeType=codes.RXNORM),
        _value("eMedications.04", _code(codes.ROUTE, dose["route"])),
        _element("eMedications.DosageGroup", amount),
    )


def nemsis(document: Document) -> bytes:
    """A document with one chart."""
    patient, moved, monitoring = document["patient"], document["transport"], document["monitoring"]
    times = (
        ("07", moved["at_patient"]),
        ("09", moved["departed"]),
        ("11", moved["arrived"]),
        ("12", document["handover"]["time"]),
    )
    age = _value("ePatient.15", patient["age"]["value"]) + _value(
        "ePatient.16", _code(codes.AGE_UNIT, patient["age"]["unit"])
    )
    report = [
        _element("eRecord", _value("eRecord.01", document["episode_ref"])),
        _element("eTimes", *(_value(f"eTimes.{number}", time) for number, time in times)),
        _element(
            "ePatient", _element("ePatient.AgeGroup", age), _value("ePatient.25", _code(codes.SEX, patient["sex"]))
        ),
        _element("eNarrative", _value("eNarrative.01", document["narrative"])),
        _element("eVitals", *map(_vital, monitoring["vitals"])),
        _element("eExam", _value("eExam.01", patient["weight_kg"]), *map(_check, monitoring["limb_checks"])),
        _element("eMedications", *map(_dose, document["sedation"]["doses"])),
        _element("eProcedures", *_procedures(document)),
    ]
    root = _element("EMSDataSet", _element("Header", _element("PatientCareReport", *report)), xmlns=codes.NEMSIS)
    return b'<?xml version="1.0" encoding="UTF-8"?>' + root.encode()
