"""Doses: units, amounts by weight, repeats, what came after, and drugs that do not go together.

UCUM units are exact powers of ten of each other; exact fractions are the
independent reckoning for rounding.
"""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.episode import drugs
from service.facts.builder import scaled
from tests.support.episodes import Document, dose, facts, limb, one, small, vital


def half_up(value: Fraction) -> int:
    return int(value + Fraction(1, 2))


def with_dose(*doses: Document, kg: float | None = None, **more: Any) -> Document:
    document = small(sedation={"doses": list(doses)}, handover=more.pop("handover", 60), **more)
    if kg is not None:
        document["patient"]["weight_kg"] = kg
    return document


@pytest.mark.parametrize(
    ("amount", "unit", "kg", "mg", "mg_per_kg"),
    [
        (5, "mg", None, 500, None),
        (0.005, "g", None, 500, None),
        (5000, "ug", None, 500, None),
        (2.5, "mg", 80, 250, 3),
        (0.1, "mg/kg", 30, 300, 10),
        (0.1, "mg/kg", 60, 600, 10),
        (4, "mg/kg", 82.5, 33000, 400),
        (0.5, "ug/kg", 80, 4, 0),
        (150, "ug/kg", 20, 300, 15),
        (500, "mg", 100, 50000, 500),
        (440, "mg", 110, 44000, 400),
        (300, "mg", 50, 30000, 600),
        (350, "mg", 80, 35000, 438),
        (4, "mg/kg", None, None, 400),
    ],
)
def test_amounts(amount: float, unit: str, kg: float | None, mg: int | None, mg_per_kg: int | None) -> None:
    """In hundredths: 350 mg at 80 kg is 4.375, half up 4.38."""
    fact = one(with_dose(dose(1, "ketamine", amount, unit), kg=kg), "dose")
    assert (fact.values.get("mg"), fact.values.get("mg_per_kg")) == (mg, mg_per_kg)


def test_a_volume_has_no_amount() -> None:
    fact = one(with_dose(dose(1, "ketamine", 4, "mL"), kg=80), "dose")
    assert fact.state("mg") == "not_collected" and "mg_per_kg" not in fact.values
    assert "total" not in one(with_dose(dose(1, "ketamine", 4, "mL"), dose(2, "ketamine", 50)), "drug").values


@given(st.integers(1, 100_000), st.integers(2, 6500))
@settings(derandomize=True, max_examples=300, deadline=None)
def test_per_kg_is_rounded_half_up(tenths_of_mg: int, tenths_of_kg: int) -> None:
    exact = Fraction(tenths_of_mg, 10) / Fraction(tenths_of_kg, 10) * 100
    assert drugs.per_kg_100(tenths_of_mg * 10, tenths_of_kg / 10) == half_up(exact)


@given(st.integers(1, 10_000_000), st.sampled_from(["g", "mg", "ug"]))
@settings(derandomize=True, max_examples=300, deadline=None)
def test_units(thousandths: int, unit: str) -> None:
    factor = {"g": Fraction(1000), "mg": Fraction(1), "ug": Fraction(1, 1000)}[unit]
    assert drugs.dose_mg_100(thousandths / 1000, unit, None) == half_up(Fraction(thousandths, 1000) * factor * 100)


@pytest.mark.parametrize(
    ("mg_per_kg", "tolerant"),
    [(400, 381), (419, 399), (420, 400), (421, 401), (500, 476), (525, 500), (526, 501), (0, 0)],
)
def test_rounding_tolerance_of_five_percent(mg_per_kg: int, tolerant: int) -> None:
    assert drugs.tolerant(mg_per_kg) == half_up(Fraction(mg_per_kg * 100, 105)) == tolerant


# ---------------------------------------------------------------- repeats and totals


def test_repeats_of_one_drug() -> None:
    found = facts(with_dose(dose(0), dose(6), dose(20), dose(3, "ketamine", 100)), "dose", "midazolam")
    assert [(f.values["repeat"], f.values.get("since_same_drug")) for f in found] == [
        (False, None),
        (True, 360),
        (True, 840),
    ]
    total = one(with_dose(dose(0), dose(6), dose(20)), "drug").values
    assert (total["doses"], total["total"], total["shortest_interval"]) == (3, 1500, 360)


def test_two_doses_in_one_minute_are_two() -> None:
    found = facts(with_dose(dose(0), dose(0)), "dose")
    assert sorted(f.values["repeat"] for f in found) == [False, True]
    assert one(with_dose(dose(0), dose(0)), "drug").values["shortest_interval"] == 0


def test_a_dose_without_a_time_leaves_the_interval_open() -> None:
    untimed = dose(6)
    del untimed["time"]
    fact = one(with_dose(dose(0), untimed, dose(20)), "drug")
    assert fact.state("shortest_interval") == "missing" and fact.values["total"] == 1500


def test_total_into_a_muscle() -> None:
    fact = one(with_dose(dose(0, "olanzapine", 10), dose(9, "olanzapine", 5, route="odt")), "drug").values
    assert (fact["total"], fact["total_im"], fact["im"]) == (1500, 1000, True)


def test_pressure_between_two_doses() -> None:
    vitals = {"vitals": [vital(-3, sbp=150), vital(5, sbp=96), vital(8, hr=80), vital(20, sbp=88)]}
    first, second = facts(with_dose(dose(0), dose(12), monitoring=vitals), "dose")
    assert (first.values["sbp_before"], second.values["sbp_before"]) == (150, 96)
    # A pressure from before the first dose says nothing about the second.
    first, second = facts(with_dose(dose(0), dose(12), monitoring={"vitals": [vital(-3, sbp=150)]}), "dose")
    assert first.values["sbp_before"] == 150 and second.state("sbp_before") == "missing"


# ---------------------------------------------------------------- what came after


@pytest.mark.parametrize(("minute", "after", "sure"), [(2, 120, 60), (0, 0, 0), (0.5, 30, 0), (7, 420, 360)])
def test_vital_signs_after_a_dose(minute: float, after: int, sure: int) -> None:
    fact = one(
        with_dose(dose(0), monitoring={"vitals": [vital(-4, rr=16, spo2=97), vital(minute, rr=16, spo2=97)]}), "dose"
    ).values
    assert (fact["vitals_after"], fact["vitals_after_sure"], fact["no_vitals_after"]) == (after, sure, False)


def test_a_set_without_a_sign_is_no_set() -> None:
    fact = one(
        with_dose(dose(0), monitoring={"vitals": [vital(2, agitation_scale="rass", agitation_score=0)]}), "dose"
    ).values
    assert fact["no_vitals_after"] is True and fact["score_after"] == 120


@pytest.mark.parametrize(
    ("handover", "vitals", "score"), [(4.9, False, False), (5, True, False), (14.9, True, False), (15, True, True)]
)
def test_a_duty_that_falls_due_after_transfer_of_care_is_none(handover: float, vitals: bool, score: bool) -> None:
    fact = one(with_dose(dose(0), handover=handover, monitoring={"vitals": []}), "dose").values
    assert (fact["vitals_due"], fact["score_due"]) == (vitals, score)


def test_without_transfer_of_care_the_last_entry_tells_whether_it_was_due() -> None:
    def due(last: float) -> Any:
        document = small(
            sedation={"doses": [dose(0)]},
            monitoring={"breathing_checks": [], "vitals": []},
            chart={"closed": "2031-04-12T23:00:00-06:00"},
        )
        document["decision"] = {"time": dose(last)["time"]}
        fact = one(document, "dose")
        return fact.values.get("vitals_due", fact.state("vitals_due"))

    assert (due(5.9), due(6), due(30)) == ("missing", True, True)


# ---------------------------------------------------------------- families and interactions


@pytest.mark.parametrize(
    ("drug", "sedative", "family"),
    [
        ("midazolam", True, "benzodiazepine"),
        ("lorazepam", True, "benzodiazepine"),
        ("diazepam", True, "benzodiazepine"),
        ("haloperidol", True, "antipsychotic"),
        ("droperidol", True, "antipsychotic"),
        ("olanzapine", True, "antipsychotic"),
        ("ziprasidone", True, "antipsychotic"),
        ("fentanyl", False, "opioid"),
        ("ketamine", True, None),
        ("diphenhydramine", False, None),
    ],
)
def test_families(drug: str, sedative: bool, family: str | None) -> None:
    fact = one(with_dose(dose(1, drug)), "dose").values
    assert fact["sedative"] is sedative
    assert [n for n in ("benzodiazepine", "antipsychotic", "opioid") if fact[n]] == ([family] if family else [])


def test_a_drug_without_a_code_here_is_not_judged() -> None:
    fact = one(with_dose(dose(1, "other")), "dose")
    assert {fact.state(n) for n in ("sedative", "benzodiazepine", "antipsychotic", "opioid", "by_weight")} == {
        "not_collected"
    }


@pytest.mark.parametrize(
    ("olanzapine", "benzodiazepine", "expected"),
    [
        ("im", "iv", (True, True)),
        ("im", "im", (True, True)),
        ("im", "io", (True, True)),
        ("im", "in", (True, True)),
        ("im", "po", (True, False)),
        ("odt", "im", (False, True)),
        ("im", None, (True, "missing")),
        (None, "im", ("missing", True)),
    ],
)
def test_olanzapine_and_a_benzodiazepine(
    olanzapine: str | None, benzodiazepine: str | None, expected: tuple[Any, Any]
) -> None:
    doses = [dose(1, "olanzapine", 10), dose(2, "lorazepam", 2)]
    for item, route in zip(doses, (olanzapine, benzodiazepine), strict=True):
        if route is None:
            del item["route"]
        else:
            item["route"] = route
    fact = one(with_dose(*doses), "drug", "olanzapine")
    names = ("im", "with_parenteral_benzodiazepine")
    assert tuple(fact.values.get(n, fact.state(n)) for n in names) == expected


def test_drugs_that_lengthen_qt() -> None:
    episode = one(with_dose(dose(1, "haloperidol"), dose(9, "haloperidol"), dose(12, "droperidol")), "episode").values
    assert (episode["qt_drugs"], episode["antipsychotic"], episode["sedatives"], episode["sedative_doses"]) == (
        2,
        True,
        2,
        3,
    )
    episode = one(with_dose(dose(1, "olanzapine", 10), dose(9, "diphenhydramine", 50)), "episode").values
    assert (episode["qt_drugs"], episode["antipsychotic"], episode["sedatives"]) == (0, False, 1)


@pytest.mark.parametrize(
    ("drug", "mixed", "bad"),
    [("haloperidol", ["diphenhydramine"], True), ("diphenhydramine", ["droperidol"], True), ("haloperidol", ["lorazepam"], False), ("midazolam", ["diphenhydramine"], False), ("haloperidol", [], False)],
)  # fmt: skip
def test_one_syringe(drug: str, mixed: list[str], bad: bool) -> None:
    assert one(with_dose(dose(1, drug, mixed_with=mixed)), "dose").values["mixed_badly"] is bad


def test_allergy() -> None:
    document = with_dose(dose(1))
    assert one(document, "dose").state("allergy") == "missing"
    document["patient"]["allergies"] = []
    assert one(document, "dose").values["allergy"] is False
    document["patient"]["allergies"] = ["midazolam"]
    assert one(document, "dose").values["allergy"] is True


def test_no_dose_and_no_list() -> None:
    assert one(small(sedation=[]), "episode").values["sedatives"] == 0
    assert one(small(sedation=[], limbs=[limb()]), "episode").values["sedation_considered"] is False
    assert one(small(), "episode").state("sedatives") == "missing"
    assert (
        one(small(sedation={"not_given": [{"reason": "not_needed"}], "doses": []}), "episode").values[
            "sedation_considered"
        ]
        is True
    )


STATES: dict[str, Any] = {
    "not_collected": {"absent": "not_collected"},
    "missing": None,
    "declined": {"absent": "declined", "reason": "other"},
}
ORDER = list(STATES)


@pytest.mark.parametrize("amount", STATES)
@pytest.mark.parametrize("unit", STATES)
def test_the_state_of_an_amount_is_the_first_of_its_inputs(amount: str, unit: str) -> None:
    item = dose(1)
    for name, state in (("dose", amount), ("unit", unit)):
        if STATES[state] is None:
            del item[name]
        else:
            item[name] = STATES[state]
    fact = one(with_dose(item, kg=80), "dose")
    expected = min(amount, unit, key=ORDER.index)
    assert {fact.state(n) for n in ("mg", "mg_per_kg", "mg_per_kg_tolerant")} == {expected}


@given(st.integers(0, 500_000), st.sampled_from(["kg", "Cel", "mm[Hg]", "s", "L/min", "mg/dL"]))
@settings(derandomize=True, max_examples=200, deadline=None)
def test_a_number_of_the_record_is_kept_in_tenths_half_up(thousandths: int, unit: str) -> None:
    assert scaled(thousandths / 1000, unit) == half_up(Fraction(thousandths, 100))
