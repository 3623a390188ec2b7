"""The fuller forms of members that 0.1.0 knew in a short form."""

from __future__ import annotations

from typing import Any

import pytest

from tests.support.episodes import clock, dose, one, small


def span(start: float, end: float, officer: str) -> dict[str, Any]:
    return {"officer": officer, "start": clock(start), "end": clock(end)}


@pytest.mark.parametrize(
    ("custody", "expected"),
    [
        ({"officer": "aboard"}, "aboard"),
        ({"officer_spans": [span(20, 25, "aboard"), span(25, 30, "following")]}, "following"),
        ({"officer_spans": [span(0, 9, "none"), span(20, 30, "aboard")]}, "aboard"),
        ({"officer": "aboard", "officer_spans": [span(20, 30, "none")]}, "aboard"),
        ({"officer_spans": []}, None),
    ],
)
def test_the_officer_by_time(custody: dict[str, Any], expected: str | None) -> None:
    """The journey is from 20 to 30; the least safe stretch of it counts."""
    cuffs = {"device": "handcuffs", "site": "wrists_in_front", "on": clock(0)}
    journey = {"departed": clock(20), "arrived": clock(30)}
    document = small(custody={"devices": [cuffs], **custody}, transport=journey, handover=40)
    assert one(document, "section", "custody").values.get("custody_officer") == expected
    assert one(document, "device").values.get("officer") == expected


@pytest.mark.parametrize(("needs", "expected"), [(["hearing", "speech"], "hearing"), ([], "none")])
def test_several_communication_needs(needs: list[str], expected: str) -> None:
    fact = one(small(patient={"communication_needs": needs}), "section", "patient")
    assert (fact.values["patient_communication_need"], "patient_communication_need" in fact.states) == (expected, False)


@pytest.mark.parametrize(("strength", "mg"), [({"concentration_mg_ml": 5}, 1000), ({}, None)])
def test_a_dose_in_ml_with_its_concentration(strength: dict[str, float], mg: int | None) -> None:
    document = small(sedation={"doses": [dose(1, "midazolam", 2, "mL", **strength)]})
    assert one(document, "dose").values.get("mg") == mg
    assert one(document, "drug").values.get("total") == mg
