"""One resource at a time: what is read, what is left aside and said."""

from __future__ import annotations

from typing import Any

import pytest

from service.problems import Rejected
from tests.support.fhir import (
    LEFT_ANKLE,
    LEFT_WRIST,
    LOINC,
    RIGHT_WRIST,
    RXNORM,
    SNOMED,
    at,
    bundle,
    codes,
    concept,
    drug,
    noticed,
    observation,
    quantity,
    read,
    recorded,
    restraint,
    sign,
    told,
)

Resource = dict[str, Any]


# ---------------------------------------------------------------- restraint


def test_one_procedure_on_several_limbs_is_a_device_on_each() -> None:
    sites = [concept(SNOMED, code) for code in (LEFT_WRIST, RIGHT_WRIST, LEFT_WRIST)]
    limbs = told(restraint(bodySite=sites), alone=True)["application"]["limbs"]
    assert [(limb["id"], limb["side"], limb["site"]) for limb in limbs] == [
        ("r1-left-wrist", "left", "wrist"),
        ("r1-right-wrist", "right", "wrist"),
    ]


@pytest.mark.parametrize("status", ["not-done", "preparation", "entered-in-error"])
def test_a_restraint_that_was_not_done_is_none(status: str) -> None:
    with pytest.raises(Rejected) as refusal:
        read(bundle(restraint(status=status), alone=True))
    assert refusal.value.code == "no-restraint"


@pytest.mark.parametrize("status", ["completed", "in-progress", "stopped", "on-hold", "unknown", None, 7])
def test_any_other_status_is_read(status: Any) -> None:
    assert told(restraint(status=status), alone=True)["application"]["limbs"]


def test_a_restraint_without_a_limb_is_one_all_the_same() -> None:
    act = restraint()
    del act["bodySite"]
    assert told(act, alone=True)["application"] == {"started": at("18:00")}
    assert "no-limb" in noticed(act, alone=True)


def test_one_limb_is_part_of_the_whole_and_takes_its_time() -> None:
    whole = restraint(id="whole")
    del whole["bodySite"]
    part = restraint(id="part", partOf=[{"reference": "Procedure/whole"}])
    del part["performedPeriod"]
    intake = read(bundle(whole, part, alone=True))
    (limb,) = recorded(intake.episode)["application"]["limbs"]
    assert (limb["id"], limb["on"], limb["off"]) == ("part", at("18:00"), at("18:30"))
    assert "no-limb" not in codes(intake)


def test_devices_are_known_by_plain_words_and_never_guessed() -> None:
    def device(text: str) -> Any:
        return told(restraint(usedCode=[{"text": text}]), alone=True)["application"]["limbs"][0].get("device")

    assert device("Soft limb restraint, 4 point") == "soft"
    assert device("Padded leather cuff") == "padded_leather"
    assert device("Wide roll of gauze") == "gauze"
    assert device("The blue ones") is None
    intake = read(bundle(restraint(usedCode=[{"text": "The blue ones"}]), alone=True))
    assert intake.episode.application.limbs[0].device.state == "not_collected"  # type: ignore[union-attr]
    assert "unknown-device" in codes(intake)


def test_a_reason_in_free_text_is_kept_as_words_and_concluded_from_by_nobody() -> None:
    intake = read(bundle(restraint(reasonCode=[{"text": "Convenience of the crew"}]), alone=True))
    decision = recorded(intake.episode)["decision"]
    assert decision == {"behaviours": [{"id": "r1-reason-1", "behaviour": "other", "words": "Convenience of the crew"}]}
    assert intake.episode.decision.reasons.state == "not_collected"  # type: ignore[union-attr]
    assert intake.places["/decision/reasons"] == "Bundle.entry[0].resource.reasonCode[0]"


def test_no_reason_at_all_is_missing() -> None:
    intake = read(
        bundle(
            restraint(),
            sign("8867-4", 90, "/min"),
            {"resourceType": "Communication", "category": [concept(SNOMED, "304562007")], "sent": at("18:00")},
            alone=True,
        )
    )
    assert intake.episode.decision.reasons.state == "missing"  # type: ignore[union-attr]
    assert recorded(intake.episode)["decision"]["medical_direction"] == {"contacted": True, "time": at("18:00")}


def test_a_hold_of_one_limb_and_of_the_whole_body() -> None:
    hold = {
        "resourceType": "Procedure",
        "id": "h",
        "status": "completed",
        "code": concept(SNOMED, "78086002"),
        "performedDateTime": at("17:58"),
    }
    assert told(hold, alone=True)["application"]["holds"] == [{"id": "h", "part": "whole_body", "start": at("17:58")}]
    held = hold | {"bodySite": [concept(SNOMED, LEFT_ANKLE)]}
    assert told(held, alone=True)["application"]["holds"] == [{"id": "h", "part": "left_leg", "start": at("17:58")}]


def test_the_barrier_to_care_says_that_the_patient_was_restrained() -> None:
    barrier = observation("67515-7", valueCodeableConcept=concept(LOINC, "LA17312-2"))
    assert "application" not in told(barrier, alone=True)


def test_handcuffs_are_a_device_of_law_enforcement() -> None:
    use = {
        "resourceType": "DeviceUseStatement",
        "id": "u",
        "status": "completed",
        "device": {"reference": "#c"},
        "timingPeriod": {"start": at("17:50"), "end": at("17:59")},
        "contained": [{"resourceType": "Device", "id": "c", "type": {"text": "Handcuffs"}}],
    }
    assert told(use, alone=True)["custody"] == {
        "devices": [{"id": "u", "device": "handcuffs", "on": at("17:50"), "off": at("17:59")}]
    }


# ---------------------------------------------------------------- drugs


def test_a_dose() -> None:
    assert told(drug(id="m", performer=[{"actor": {"reference": "Practitioner/x"}}]))["sedation"]["doses"] == [
        {"id": "m", "drug": "midazolam", "time": at("18:10"), "dose": 5, "unit": "mg", "route": "im", "given_by": "p1"}
    ]


@pytest.mark.parametrize(
    ("medication", "name"),
    [
        (concept(RXNORM, "6130"), "ketamine"),
        ({"coding": [{"system": "urn:oid:2.16.840.1.113883.6.88", "code": "5093"}]}, "haloperidol"),
        ({"text": "midazolam 5 MG/ML Injectable Solution"}, "midazolam"),
        ({"text": "Haloperidol and lorazepam"}, "other"),
        (concept(RXNORM, "0", text="something new"), "other"),
        ({}, "other"),
    ],
)
def test_a_drug_is_known_by_code_or_its_one_name_and_never_passed_over(medication: Resource, name: str) -> None:
    given = drug(medicationCodeableConcept=medication)
    assert told(given)["sedation"]["doses"][0]["drug"] == name
    assert ("unknown-drug" in noticed(given)) == (name == "other")


def test_a_drug_referred_to_in_the_resource_itself() -> None:
    given = drug(
        medicationReference={"reference": "#m"},
        contained=[{"resourceType": "Medication", "id": "m", "code": concept(RXNORM, "6470")}],
    )
    del given["medicationCodeableConcept"]
    assert told(given)["sedation"]["doses"][0]["drug"] == "lorazepam"


def test_a_drug_that_answers_a_danger_is_an_action_and_others_are_left_aside() -> None:
    both = told(drug("7242", id="n"), drug("26225"))
    assert both["monitoring"]["actions"] == [{"id": "n", "action": "reversal_given", "time": at("18:10")}]
    assert "sedation" not in both
    assert "drug-left-aside" in noticed(drug("26225"))


def test_not_done_is_considered_and_not_given() -> None:
    intake = read(bundle(drug(status="not-done", id="n", statusReason=[{"text": "calm"}])))
    assert recorded(intake.episode)["sedation"] == {
        "not_given": [{"id": "n", "drug": "midazolam", "time": at("18:10")}]
    }
    assert intake.episode.sedation.not_given[0].reason.state == "not_collected"  # type: ignore[union-attr]


@pytest.mark.parametrize(
    ("dosage", "code"),
    [
        ({"dose": quantity(5, "[iU]")}, "unknown-unit"),
        ({"dose": {"value": 5}}, "no-unit"),
        ({"rateQuantity": quantity(5, "mg")}, "no-dose"),
        (None, "no-dose"),
    ],
)
def test_an_amount_that_cannot_be_stated_is_no_number(dosage: Any, code: str) -> None:
    given = drug(dosage=dosage)
    assert "dose" not in told(given)["sedation"]["doses"][0]
    assert code in noticed(given)


def test_what_came_of_the_dose() -> None:
    partOf = [{"reference": "MedicationAdministration/m"}]
    unchanged = observation("67540-5", valueCodeableConcept=concept(LOINC, "LA17181-1"), partOf=partOf)
    apnea = observation("67541-3", valueCodeableConcept=concept(LOINC, "LA17393-2"), partOf=partOf)
    (first, second) = told(drug(id="m"), drug(id="k"), unchanged, apnea)["sedation"]["doses"]
    assert (first["effect"], first["adverse_effects"]) == ("none", ["apnoea"])
    assert "effect" not in second
    assert (
        told(drug(id="m"), observation("67541-3", valueCodeableConcept=concept(LOINC, "LA137-2")))["sedation"]["doses"][
            0
        ]["adverse_effects"]
        == []
    )
