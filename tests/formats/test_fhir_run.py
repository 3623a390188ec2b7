"""The run around the restraint: its times, what is known of the patient, what happened, and what is not understood."""

from __future__ import annotations

from typing import Any

import pytest

from service.formats.fhir.profile import BASE
from tests.support.fhir import (
    RXNORM,
    SNOMED,
    at,
    concept,
    noticed,
    observation,
    restraint,
    told,
)

Resource = dict[str, Any]


def test_times_of_the_run() -> None:
    at_patient = observation("69474-5", valueDateTime=at("17:55"))
    left = observation("69475-2", valueDateTime=at("18:20"))
    arrived = observation("69476-0", valueDateTime=at("18:29"))
    handed_over = {
        "resourceType": "Procedure",
        "status": "completed",
        "code": concept(SNOMED, "308292007"),
        "performedDateTime": at("18:31"),
    }
    episode = told(at_patient, left, arrived, handed_over)
    assert episode["transport"] == {
        "at_patient": at("17:55"),
        "departed": at("18:20"),
        "arrived": at("18:29"),
        "transported": True,
    }
    assert episode["handover"] == {"time": at("18:31")}


def ended(disposition: Resource, *more: Resource) -> Any:
    encounter = {"resourceType": "Encounter", "id": "run", "hospitalization": {"dischargeDisposition": disposition}}
    return told(encounter, *more).get("transport")


DISCHARGE = "http://terminology.hl7.org/CodeSystem/discharge-disposition"
HOW = f"{BASE}/CodeSystem/transport.ended.how"


@pytest.mark.parametrize(
    ("disposition", "how"),
    [
        (concept(DISCHARGE, "aadvice"), "refused"),
        (concept(DISCHARGE, "exp"), "died"),
        ({"text": "Released to law enforcement"}, "released_to_law_enforcement"),
        (concept(HOW, "released_to_guardian"), "released_to_guardian"),
    ],
)
def test_how_care_ended_without_transfer(disposition: Resource, how: str) -> None:
    assert ended(disposition) == {"ended": {"how": how}}


@pytest.mark.parametrize("disposition", [concept(DISCHARGE, "hosp"), {"text": "To be seen tomorrow"}, {}])
def test_any_other_disposition_is_no_end_without_transfer(disposition: Resource) -> None:
    assert ended(disposition) is None


def test_a_disposition_against_our_own_extension_is_told() -> None:
    parts = [{"url": "ended", "extension": [{"url": "how", "valueCode": "refused"}]}]
    encounter = {
        "resourceType": "Encounter",
        "hospitalization": {"dischargeDisposition": concept(DISCHARGE, "exp")},
        "extension": [{"url": f"{BASE}/StructureDefinition/transport", "extension": parts}],
    }
    assert told(encounter)["transport"] == {"ended": {"how": "refused"}}
    assert noticed(encounter) == ["conflict"]


def test_conditions_allergies_and_injuries() -> None:
    asthma = {"resourceType": "Condition", "code": concept(SNOMED, "195967001")}
    refuted = {
        "resourceType": "Condition",
        "code": concept(SNOMED, "73211009"),
        "verificationStatus": concept("x", "refuted"),
    }
    bruise = {"resourceType": "Condition", "id": "b", "code": concept(SNOMED, "125667009")}
    allergy = {"resourceType": "AllergyIntolerance", "code": concept(RXNORM, "5093")}
    nuts = {"resourceType": "AllergyIntolerance", "code": {"text": "nuts"}}
    episode = told(asthma, refuted, bruise, allergy, nuts)
    assert episode["patient"] == {"conditions": ["asthma"], "allergies": ["haloperidol", "other"]}
    assert episode["injuries"] == {"patient": [{"id": "b", "kind": "bruise"}]}
    assert told({"resourceType": "AllergyIntolerance", "code": concept(SNOMED, "716186003")})["patient"] == {
        "allergies": []
    }


def test_adverse_events() -> None:
    event = {
        "resourceType": "AdverseEvent",
        "id": "e",
        "actuality": "actual",
        "event": concept(SNOMED, "389086002"),
        "date": at("18:12"),
    }
    assert told(event)["injuries"]["complications"] == [{"id": "e", "complication": "hypoxia", "time": at("18:12")}]
    assert "injuries" not in told(event | {"actuality": "potential"})


def test_when_an_entry_was_written() -> None:
    written = {
        "resourceType": "Provenance",
        "recorded": "2031-04-12T19:40:00-06:00",
        "target": [{"reference": "Procedure/r1"}],
        "agent": [],
    }
    assert told(written)["application"]["limbs"][0]["entered"] == "2031-04-12T19:40:00-06:00"


def test_the_attested_document_is_the_closed_chart() -> None:
    document = {
        "resourceType": "Composition",
        "attester": [{"mode": "personal", "time": at("18:40")}, {"mode": "legal", "time": at("18:50")}],
    }
    assert told(document)["chart"] == {"closed": at("18:50")}


def test_narratives_are_joined() -> None:
    one, two = (observation("67781-5", valueString=text) for text in ("First.", "Second."))
    assert told(one, two)["narrative"] == "First.\nSecond."
    assert "several-narratives" in noticed(one, two)


def test_unknown_resources_and_extensions_do_no_harm() -> None:
    strange = {"resourceType": "Nutrition", "extension": [{"url": "x", "valueString": "y"}, 5, None]}
    extended = restraint(extension=[{"url": "https://elsewhere.example/x", "valueBoolean": True}], _status={"id": "q"})
    assert told(extended, strange, alone=True) == told()
    assert noticed(strange) == ["unknown-resource"]


def test_a_stretch_of_monitoring_has_a_beginning_and_an_end_and_one_look_is_none() -> None:
    watched = {"resourceType": "Procedure", "status": "completed", "code": concept(SNOMED, "284029005")}
    stretch = {"performedPeriod": {"start": at("18:05"), "end": at("18:25")}}
    assert told(watched | stretch)["monitoring"]["capnography"] == [{"start": at("18:05"), "end": at("18:25")}]
    assert noticed(watched | {"performedDateTime": at("18:05")}) == ["no-stretch"]
    # An ECG that was begun is an ECG; how long it went on is not known.
    begun = watched | {"code": concept(SNOMED, "428803005"), "performedDateTime": at("18:05")}
    assert told(begun)["monitoring"]["ecg"] == [{"start": at("18:05")}]


def test_a_complication_of_a_procedure_that_is_not_known_is_not_lost() -> None:
    strange = {
        "resourceType": "Procedure",
        "id": "s",
        "code": {"text": "something"},
        "complication": [concept(SNOMED, "389086002")],
    }
    assert told(strange)["injuries"]["complications"] == [{"id": "s-complication-1", "complication": "hypoxia"}]
    assert noticed(strange) == ["unknown-code"]
