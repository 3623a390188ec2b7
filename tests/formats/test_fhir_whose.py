"""References, and whose record it is; who took part; what is never looked at."""

from __future__ import annotations

import json
from typing import Any

import pytest

from service.formats.fhir import read as fhir_reader
from service.problems import Rejected
from tests.support.fhir import SNOMED, at, bundle, codes, concept, observation, read, recorded, restraint, sign

Resource = dict[str, Any]
PATIENT: Resource = {"resourceType": "Patient", "id": "a", "gender": "female", "birthDate": "1990-04-13"}


def refused(document: Any) -> tuple[int, str, list[str | None]]:
    with pytest.raises(Rejected) as refusal:
        fhir_reader.read(document if isinstance(document, bytes) else json.dumps(document).encode())
    return refusal.value.status, refusal.value.code, [item.pointer for item in refusal.value.errors]


@pytest.mark.parametrize(
    "document", [[], {}, 5, "Bundle", None, {"resourceType": "Patient"}, {"resourceType": ["Bundle"]}]
)
def test_what_is_no_bundle(document: Any) -> None:
    pointer = "/resourceType" if isinstance(document, dict) and document else ""
    assert refused(document) == (422, "not-a-bundle", [pointer])


@pytest.mark.parametrize(
    "entry", [[], None, 5, {}, [None], [5], [{"resource": []}], [{"request": {"method": "DELETE"}}]]
)
def test_a_bundle_that_tells_of_nothing(entry: Any) -> None:
    assert refused({"resourceType": "Bundle", "entry": entry}) == (422, "no-restraint", [""])


def test_json_that_is_none_is_refused_before() -> None:
    assert refused(b'{"resourceType": "Bundle",')[0:2] == (400, "not-json")
    assert refused(b'{"resourceType": "Bundle", "resourceType": "Bundle"}')[0:2] == (400, "duplicate-member")


@pytest.mark.parametrize(
    "reference",
    ["Patient/a", "https://fhir.example/Patient/a", "Patient/a/_history/3", "https://elsewhere.example/base/Patient/a"],
)
def test_references_lead_to_the_same_patient(reference: str) -> None:
    reading = sign("8867-4", 90, "/min", subject={"reference": reference})
    intake = read(bundle(PATIENT, restraint(subject={"reference": "Patient/a"}), reading, alone=True))
    assert recorded(intake.episode)["monitoring"]["vitals"][0]["hr"] == 90


def test_references_by_urn() -> None:
    document = bundle(PATIENT, restraint(subject={"reference": "urn:uuid:1"}), alone=True)
    document["entry"][0]["fullUrl"] = "urn:uuid:1"
    assert recorded(read(document).episode)["patient"] == {"age": {"value": 40, "unit": "a"}, "sex": "female"}


def test_what_belongs_to_somebody_else_is_left_aside() -> None:
    act = restraint(subject={"reference": "Patient/a"}, encounter={"reference": "Encounter/e"})
    hers = sign("8867-4", 90, "/min", subject={"reference": "Patient/b"})
    earlier = sign("9279-1", 16, "/min", encounter={"reference": "Encounter/d"}, subject={"reference": "Patient/a"})
    intake = read(bundle(PATIENT, {"resourceType": "Encounter", "id": "e"}, act, hers, earlier, alone=True))
    assert "monitoring" not in recorded(intake.episode)
    assert codes(intake) == ["other-encounter", "other-patient"]
    assert intake.episode.episode_ref == "e"


def test_the_patient_need_not_be_in_the_bundle() -> None:
    act = restraint(subject={"reference": "Patient/x"})
    intake = read(bundle(act, sign("8867-4", 90, "/min", subject={"reference": "Patient/y"}), alone=True))
    assert codes(intake) == ["other-patient"]
    assert "patient" not in recorded(intake.episode)


def test_readings_of_another_day_are_left_aside() -> None:
    old = sign("8867-4", 90, "/min") | {"effectiveDateTime": "2030-01-01T10:00:00Z"}
    assert codes(read(bundle(old))) == ["other-day"]


@pytest.mark.parametrize(
    "second",
    [
        {"subject": {"reference": "Patient/b"}, "encounter": {"reference": "Encounter/e"}},
        {"subject": {"reference": "Patient/a"}, "encounter": {"reference": "Encounter/f"}},
    ],
)
def test_two_charts_in_one_bundle_are_refused(second: Resource) -> None:
    first = {"subject": {"reference": "Patient/a"}, "encounter": {"reference": "Encounter/e"}}
    document = bundle(restraint(**first), restraint(id="r2", **second), alone=True)
    assert refused(document) == (422, "several-charts", [""])


def test_two_patients_and_no_word_whose_it_is() -> None:
    assert refused(bundle(PATIENT, PATIENT | {"id": "b"}, restraint(), alone=True))[1] == "several-charts"


# ---------------------------------------------------------------- age and death


@pytest.mark.parametrize(
    ("born", "age"),
    [
        ("1990-04-13", {"value": 40, "unit": "a"}),
        ("1990-04-12", {"value": 41, "unit": "a"}),
        ("2029-05-01", {"value": 23, "unit": "mo"}),
        ("2029-04-12", {"value": 2, "unit": "a"}),
        ("2031-04-01", {"value": 11, "unit": "d"}),
        ("1920-01-01", {"value": 90, "unit": "a"}),
        ("1990-03", {"value": 41, "unit": "a"}),
        ("1990-04", None),
        ("1990", None),
        ("2040-01-01", None),
        ("then", None),
        (1990, None),
    ],
)
def test_age_at_the_first_time_of_the_record(born: Any, age: Any) -> None:
    intake = read(bundle(PATIENT | {"birthDate": born}))
    assert recorded(intake.episode)["patient"].get("age") == age
    if age is None and isinstance(born, str):
        assert {"inexact-birth-date", "out-of-bounds"} & set(codes(intake))


@pytest.mark.parametrize(
    ("deceased", "death"),
    [
        ({"deceasedBoolean": False}, {"died": False}),
        ({"deceasedBoolean": True}, {"died": True}),
        ({"deceasedDateTime": at("18:20")}, {"died": True, "time": at("18:20")}),
        ({"deceasedDateTime": "2031-04-12"}, {"died": True}),
        ({"deceasedDateTime": "2031-05-12T10:00:00Z"}, None),
        ({"deceasedBoolean": "yes"}, None),
    ],
)
def test_death(deceased: Resource, death: Any) -> None:
    assert recorded(read(bundle(PATIENT | deceased)).episode).get("injuries", {}).get("death") == death


# ---------------------------------------------------------------- people


def test_people_are_opaque_and_the_family_doctor_took_no_part() -> None:
    medic = {"resourceType": "Practitioner", "id": "smith-4711", "name": [{"family": "Smith"}]}
    doctor = {"resourceType": "Practitioner", "id": "jones"}
    role = {
        "resourceType": "PractitionerRole",
        "id": "x",
        "practitioner": {"reference": "Practitioner/smith-4711"},
        "code": [{"text": "Paramedic"}],
    }
    act = restraint(performer=[{"actor": {"reference": "PractitionerRole/x"}}])
    patient = PATIENT | {"generalPractitioner": [{"reference": "Practitioner/jones"}]}
    intake = read(bundle(patient, medic, doctor, role, act, alone=True))
    episode = recorded(intake.episode)
    assert episode["team"]["members"] == [{"id": "p1", "level": "paramedic"}]
    assert episode["application"]["limbs"][0]["applied_by"] == "ems"


def test_a_performer_with_only_a_name_is_somebody() -> None:
    function = concept(SNOMED, "397897005")
    act = restraint(performer=[{"actor": {"display": "J. Smith"}, "function": function}])
    assert recorded(read(bundle(act, alone=True)).episode)["team"]["members"] == [{"id": "p1", "level": "paramedic"}]


def test_nothing_that_identifies_a_person_gets_into_the_episode_the_notices_or_the_places() -> None:
    marks = {
        "Ottilie": {"name": [{"family": "Ottilie", "given": ["Ottilie"]}]},
        "987-65": {"identifier": [{"value": "987-65"}]},
        "Birchgate": {"address": [{"line": ["Birchgate"]}]},
        "555-0199": {"telecom": [{"value": "555-0199"}]},
        "iVBORw0": {"photo": [{"data": "iVBORw0"}]},
        "1990-04-13": {"birthDate": "1990-04-13"},
        "<div>": {"text": {"div": "<div>"}},
    }
    patient: Resource = {"resourceType": "Patient", "id": "a"}
    medic: Resource = {"resourceType": "Practitioner", "id": "Ottilie"}
    for part in marks.values():
        patient |= part
        medic |= part
    act = restraint(
        subject={"reference": "Patient/a", "display": "Ottilie"},
        performer=[{"actor": {"reference": "Practitioner/Ottilie"}}],
    )
    odd = observation("0000-0", valueString="Ottilie", note=[{"text": "Ottilie"}])
    intake = read(bundle(patient, medic, act, odd, alone=True))
    said = repr((intake.episode, intake.notices, intake.places))
    assert [mark for mark in marks if mark in said] == []
