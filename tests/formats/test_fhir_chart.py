"""Whole charts that others wrote: the well-run synthetic chart, and HL7's own examples without a restraint."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from service.formats.fhir import read as fhir_reader
from service.problems import Rejected
from service.review.build import Wanted
from tests.support.fhir import codes, recorded, restraint, shared
from tests.support.pipeline import pipeline
from tests.support.reviews import instances

#: The same chart written by hand in our own JSON.
BY_HAND = (Path(__file__).parents[1] / "demo" / "chart_restrained.json").read_bytes()

#: What plain FHIR cannot hold, so that these rules cannot be assessed from the Bundle where the chart written by
#: hand gives them an answer; and the one that the Bundle answers better.
DIFFERENCES = {
    "RR-1003": "reason and danger stand in free text",
    "RR-1007": "no place for consent and explanation",
    "RR-1009": "no place for causes looked for",
    "RR-1014": "no place for medical direction",
    "RR-1117": "no place for law enforcement",
    "RR-1136": "no place for the times of a run",
    "RR-1164": "no place for opening and closing of the chart",
    "RR-1209": "no place for the effect of a dose",
    "RR-1210": "no place for adverse effects of a dose",
    "RR-1211": "no place for who ordered the dose",
    "RR-1217": "no place for an agitation score",
    "RR-1302": "no place for looks at the need",
    "RR-1327": "no place for an agitation score",
}


@pytest.fixture(scope="module")
def chart() -> bytes:
    return shared("fhir/fhir-restrained.json")


def review(body: bytes, media_type: str) -> dict[str, Any]:
    return dict(pipeline().review(body, media_type, "default", Wanted(accounts=True)).document)


def findings(document: dict[str, Any]) -> set[tuple[str, str, str]]:
    return {(f["rule"]["id"], f["severity"], f["message"]) for f in instances(document)}


def outcomes(document: dict[str, Any]) -> dict[str, str]:
    return {account["rule"]: account["outcome"] for account in document["accounts"]}


def test_the_well_run_chart_has_nothing_critical(chart: bytes) -> None:
    document = review(chart, "application/fhir+json")
    assert document["summary"]["by_severity"]["critical"] == 0
    assert document["summary"]["error"] == 0


def test_the_heart_rate_before_restraint_is_no_more_than_information(chart: bytes) -> None:
    about = [f for f in instances(review(chart, "application/fhir+json")) if "132" in f["message"]]
    assert [f["severity"] for f in about] == ["info"]


def test_the_bundle_finds_what_the_chart_by_hand_finds_apart_from_what_the_format_cannot_hold(chart: bytes) -> None:
    sent, by_hand = review(chart, "application/fhir+json"), review(BY_HAND, "application/json")
    ours, theirs = outcomes(sent), outcomes(by_hand)
    assert {rule for rule in ours if "finding" in {ours[rule], theirs[rule]} and ours[rule] != theirs[rule]} == set(
        DIFFERENCES
    )
    left_out = {f for f in findings(by_hand) if f[0] in DIFFERENCES}
    assert findings(sent) == findings(by_hand) - left_out


def test_what_a_difference_rests_on_is_not_assessable_never_clear(chart: bytes) -> None:
    ours, theirs = outcomes(review(chart, "application/fhir+json")), outcomes(review(BY_HAND, "application/json"))
    assert {ours[rule] for rule in DIFFERENCES} == {"not_assessable"}
    assert {theirs[rule] for rule in DIFFERENCES} == {"finding"}


def test_the_values_are_those_of_the_chart_by_hand(chart: bytes) -> None:
    read, by_hand = recorded(fhir_reader.read(chart).episode), json.loads(BY_HAND)
    for section in ("patient", "application", "postures", "sedation", "monitoring"):
        assert _without_ids(read[section]) == _without_ids(_as_read(section, by_hand[section])), section
    assert [person.get("level") for person in read["team"]["members"]] == ["paramedic", None, None]


def _as_read(section: str, value: Any) -> Any:
    """Where the Bundle says more than the hand did: weight by estimate, soft devices."""
    value = json.loads(json.dumps(value))
    if section == "patient":
        value["weight_basis"] = "estimated"
    if section == "application":
        for limb in value["limbs"]:
            limb["device"] = "soft"
    return value


def _without_ids(value: Any) -> Any:
    if isinstance(value, dict):
        return {k: _without_ids(v) for k, v in sorted(value.items()) if k not in ("id", "by", "given_by")}
    return [_without_ids(v) for v in value] if isinstance(value, list) else value


def test_hl7_examples_without_a_restraint_are_told_apart() -> None:
    """HL7/US-Core example resources (CC0-1.0): vital signs, encounter, procedures, devices, and no restraint."""
    with pytest.raises(Rejected) as refusal:
        fhir_reader.read(shared("fhir/us-core-vitals.bundle.json"))
    assert (refusal.value.status, refusal.value.code) == (422, "no-restraint")
    assert [item.pointer for item in refusal.value.errors] == [""]


def test_hl7_vital_signs_are_read_with_their_values() -> None:
    """The same examples with a restraint on the day of the vital signs: the values that the examples state.

    HL7/US-Core examples blood-pressure, heart-rate, respiratory-rate, oxygen-saturation, temperature, weight and
    satO2-fiO2 (CC0-1.0). Their times are days, so each reading stands for itself.
    """
    document = json.loads(shared("fhir/us-core-vitals.bundle.json"))
    for entry in document["entry"]:
        entry["resource"].pop("encounter", None)
    act = restraint(subject={"reference": "Patient/example"}, performedDateTime="1999-07-02T12:00:00Z")
    del act["performedPeriod"]
    document["entry"].append({"resource": act})
    intake = fhir_reader.read(json.dumps(document).encode())
    read = recorded(intake.episode)
    assert read["monitoring"]["vitals"] == [
        {"sbp": 109, "dbp": 44},
        {"hr": 44},
        {"rr": 26},
        {"spo2": 99},
        {"temperature_c": 36.55556},
    ]
    assert read["patient"]["weight_kg"] == 20.09414
    assert read["patient"]["age"] == {"value": 12, "unit": "a"}
    assert {"other-day", "unusable-time"} <= set(codes(intake))
