"""The suggested profile as a sender uses it: one code or one extension beside plain FHIR closes a gap."""

from __future__ import annotations

from typing import Any

import pytest

from service.formats.fhir import carried
from service.formats.fhir.profile import coding, url
from service.intake.not_collected import PATHS
from tests.support.fhir import at, bundle, codes, read, recorded, restraint

Resource = dict[str, Any]


def extension(slug: str, *parts: Resource) -> Resource:
    return {"url": url(slug), "extension": list(parts)}


def encounter(*extensions: Resource) -> Resource:
    return {"resourceType": "Encounter", "id": "e", "extension": list(extensions)}


def act(slug: str, word: str, **more: Any) -> Resource:
    return {
        "resourceType": "Procedure",
        "status": "completed",
        "code": {"coding": [coding(slug, word)]},
        "performedDateTime": at("17:58"),
    } | more


def test_a_code_alone_makes_an_item() -> None:
    episode = recorded(read(bundle(act("decision.alternatives", "verbal_deescalation", id="t"))).episode)
    assert episode["decision"]["alternatives"] == [{"id": "t", "measure": "verbal_deescalation", "time": at("17:58")}]


def test_an_extension_adds_to_what_plain_fhir_says() -> None:
    parts = [{"url": "anchor", "valueCode": "stretcher_frame"}, {"url": "padded", "valueBoolean": True}]
    intake = read(bundle(restraint(extension=[extension("application.limbs", *parts)]), alone=True))
    (limb,) = recorded(intake.episode)["application"]["limbs"]
    assert (limb["side"], limb["on"], limb["anchor"], limb["padded"]) == ("left", at("18:00"), "stretcher_frame", True)
    assert intake.places["/application/limbs/0/anchor"] == "Bundle.entry[0].resource.extension[0].extension[0]"


def test_what_was_brought_is_no_longer_without_a_place_and_the_rest_still_is() -> None:
    plain = read(bundle(restraint(), alone=True)).episode
    assert plain.stretcher.state == "not_collected"
    assert plain.application.limbs[0].anchor.state == "not_collected"  # type: ignore[union-attr]
    sent = read(
        bundle(restraint(), encounter(extension("stretcher", {"url": "rails", "valueCode": "up"})), alone=True)
    ).episode
    assert sent.stretcher.rails == "up"  # type: ignore[union-attr]
    assert sent.stretcher.height.state == "not_collected"  # type: ignore[union-attr]


def test_a_bundle_written_to_the_profile_states_itself_what_has_no_place() -> None:
    stated = extension(
        "episode",
        {"url": "not_collected", "valueString": "/stretcher/height"},
        {"url": "not_collected", "valueString": "/nonsense"},
    )
    intake = read(bundle(restraint(), encounter(stated), alone=True))
    assert intake.episode.stretcher.state == "missing"
    assert codes(intake) == ["unknown-part"]


def test_a_list_of_which_nothing_can_be_read_is_not_a_list_of_nothing() -> None:
    """An empty list says that there was none; saying so for the sender would be a false statement."""
    unreadable = extension(
        "patient",
        {"url": "substances", "extension": [{"url": "basis", "valueCode": "stated"}]},
        {"url": "conditions", "valueCode": "gloom"},
    )
    intake = read(bundle(restraint(), encounter(unreadable), alone=True))
    assert "conditions" not in recorded(intake.episode).get("patient", {})
    assert "substances" not in recorded(intake.episode).get("patient", {})
    assert codes(intake) == ["item-not-readable", "out-of-bounds"]


def test_none_is_said_only_by_none() -> None:
    nobody = extension("injuries", {"url": "crew", "extension": [{"url": "none", "valueBoolean": True}]})
    assert recorded(read(bundle(restraint(), encounter(nobody), alone=True)).episode)["injuries"]["crew"] == []


@pytest.mark.parametrize(
    ("part", "code"),
    [
        ({"url": "height", "valueCode": "sky-high"}, "out-of-bounds"),
        ({"url": "height", "valueBoolean": True}, "out-of-bounds"),
        ({"url": "hight", "valueCode": "lowest"}, "unknown-part"),
        ({"url": "height"}, "out-of-bounds"),
        ({"url": "height", "extension": [{"url": "absent", "valueCode": "gone"}]}, "out-of-bounds"),
    ],
)
def test_parts_that_cannot_be_read_are_notices(part: Resource, code: str) -> None:
    intake = read(bundle(restraint(), encounter(extension("stretcher", part)), alone=True))
    assert codes(intake) == [code]


def test_two_values_for_one_member_are_said() -> None:
    parts = [{"url": "rails", "valueCode": "up"}, {"url": "rails", "valueCode": "down"}]
    intake = read(bundle(restraint(), encounter(extension("stretcher", *parts)), alone=True))
    assert intake.episode.stretcher.rails == "up"  # type: ignore[union-attr]
    assert codes(intake) == ["conflict"]


def test_word_was_given() -> None:
    told = {
        "resourceType": "Communication",
        "status": "completed",
        "category": [{"coding": [coding("communication", "facility_told")]}],
        "sent": at("18:25"),
    }
    episode = recorded(read(bundle(told)).episode)
    assert episode["transport"] == {"facility_told": True, "facility_told_time": at("18:25")}


def test_a_drug_given_for_behavior_is_a_restraint_and_for_seizure_is_none() -> None:
    def given(reason: str) -> Any:
        dose = {
            "resourceType": "MedicationAdministration",
            "status": "completed",
            "extension": [extension("sedation.doses", {"url": "reason", "valueCode": reason})],
        }
        return read(bundle(dose, alone=True))

    assert recorded(given("danger").episode)["sedation"]["doses"][0]["reason"] == "danger"
    with pytest.raises(Exception, match="no-restraint"):
        given("seizure")


def test_the_table_names_members_that_exist() -> None:
    assert [path for path in carried.NOT_CARRIED if path not in PATHS] == []
    assert len(carried.EVERY_NOT_CARRIED) > len(carried.NOT_CARRIED)
