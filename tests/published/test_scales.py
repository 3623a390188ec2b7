"""Shock index, pressure limits of children, and limits of the rulebook in the units of their sources."""

from __future__ import annotations

from fractions import Fraction

import pytest

from service.episode import declaration, record, words
from service.episode.drugs import DRUGS
from service.facts import scales
from service.pipeline import Pipeline
from service.rulebook.rule import Rule
from tests.support.episodes import facts, one, small, vital


@pytest.mark.parametrize(
    ("hr", "sbp", "index"), [(120, 110, 109), (140, 100, 140), (100, 140, 71), (130, 130, 100), (90, 150, 60)]
)
def test_shock_index(hr: int, sbp: int, index: int) -> None:
    """Heart rate over systolic pressure (Allgower 1967), to two places."""
    assert scales.shock_index(hr, sbp) == index


def test_shock_index_rounds_half_up() -> None:
    """Exact fractions are the independent reckoning."""
    for hr in range(1, 260, 7):
        for sbp in range(1, 260, 3):
            assert scales.shock_index(hr, sbp) == int(Fraction(100 * hr, sbp) + Fraction(1, 2))


@pytest.mark.parametrize(
    ("age", "limit"), [(3, None), (4, 122), (6, 122), (7, 100), (12, 100), (13, 90), (16, 90), (17, 100), (40, 100)]
)
def test_upper_limit_of_the_shock_index(age: int, limit: int | None) -> None:
    """SIPA, Acker 2015: 4 to 6 years 1.22, 7 to 12 years 1.0, 13 to 16 years 0.9; adults 1.0."""
    assert scales.shock_index_limit(age) == limit


@pytest.mark.parametrize(
    ("months", "limit"),
    [
        (0, 60),
        (1, 70),
        (11, 70),
        (12, 72),
        (23, 72),
        (24, 74),
        (60, 80),
        (120, 90),
        (131, 90),
        (132, 90),
        (15 * 12, 90),
        (40 * 12, 90),
    ],
)
def test_systolic_limit_by_age(months: int, limit: int) -> None:
    """PALS: newborn 60; 1 to 12 months 70; 1 to 10 years 70 + 2 x age (1 y 72, 5 y 80, 10 y 90); above 90."""
    assert scales.sbp_limit(months) == limit


@pytest.mark.parametrize(
    ("value", "unit", "limit"),
    [(0, "d", 60), (28, "d", 60), (4, "wk", 60), (1, "mo", 70), (6, "mo", 70), (30, "wk", 70), (11, "mo", 70), (12, "mo", 72), (18, "mo", 72), (2, "a", 74), (11, "a", 90)],
)  # fmt: skip
def test_systolic_limit_from_the_record(value: int, unit: str, limit: int) -> None:
    """The same lines through ages charted in days, weeks, months and years; one below the limit is 1 under it."""
    document = small(
        age=None, patient={"age": {"value": value, "unit": unit}}, monitoring={"vitals": [vital(1, sbp=limit - 1)]}
    )
    event = one(document, "event", "sbp_low")
    assert event.values["under_age_limit"] == 1
    document["monitoring"]["vitals"][0]["sbp"] = limit
    assert facts(document, "event", "sbp_low") == []


@pytest.mark.parametrize(("age", "limit"), [(0, 20), (1, 16), (12, 16), (13, 12), (18, 12), (40, 12), (None, 12)])
def test_slow_breathing_by_age(age: int | None, limit: int) -> None:
    """Maryland BLS procedure 12.2: under 1 year 20, 1 to 12 years 16, 13 to 18 years 12; adults NEWS2 band 9 to 11."""
    assert scales.rr_low_limit(age) == limit


# ---------------------------------------------------------------- bounds of a record (NEMSIS v3.5.1 element bounds)

BOUNDS = {
    "sbp": (0, 500),  # eVitals.06
    "dbp": (0, 500),  # eVitals.07
    "hr": (0, 500),  # eVitals.10
    "spo2": (0, 100),  # eVitals.12
    "rr": (0, 300),  # eVitals.14
    "etco2_mmhg": (0, 760),  # eVitals.16
    "glucose_mg_dl": (0, 2000),  # eVitals.18
    "gcs_total": (3, 15),  # eVitals.23
    "temperature_c": (0, 50),  # eVitals.24
}


@pytest.mark.parametrize("name", BOUNDS)
def test_bounds_of_vital_signs(name: str) -> None:
    """NEMSIS v3.5.1 data dictionary."""
    spec = {m.name: m.kind for m in declaration.members(record.VitalSet)}[name]
    assert isinstance(spec, (declaration.Int, declaration.Num))
    assert (spec.low, spec.high) == BOUNDS[name]


@pytest.mark.parametrize(
    ("drug", "code"),
    [
        ("midazolam", "6960"),
        ("lorazepam", "6470"),
        ("diazepam", "3322"),
        ("ketamine", "6130"),
        ("haloperidol", "5093"),
        ("diphenhydramine", "3498"),
    ],
)
def test_drug_codes(drug: str, code: str) -> None:
    """RxNorm ingredient codes as listed in NEMSIS DefinedLists, Medication.csv, 2021-05-06."""
    assert (DRUGS[drug].rxcui, DRUGS[drug].source) == (code, "read")


def test_drugs_of_the_model_and_of_the_table() -> None:
    assert set(words.DRUGS) == set(DRUGS) | {"other"}
    assert len({drug.rxcui for drug in DRUGS.values()}) == len(DRUGS)


# ---------------------------------------------------------------- limits of rules, in the unit of their source


def default(pipeline: Pipeline, rule_id: str, name: str) -> float:
    rule: Rule = next(r for r in pipeline.rulebook.rules if r.id == rule_id)
    return next(p.default for p in rule.parameters if p.name == name)


def celsius(fahrenheit: float) -> float:
    return round((fahrenheit - 32) / 1.8, 1)


def mg_dl(mmol_l: float) -> int:
    """Glucose, molar mass 180.16 g/mol."""
    return round(mmol_l * 18.016)


def test_temperature_limits_in_fahrenheit(pipeline: Pipeline) -> None:
    """Heat stroke 104.0 F; cooling from 101 F (100.9 F is 38.3 C); NEWS2 35.0 C is 95.0 F."""
    assert default(pipeline, "RR-1391", "limit") == celsius(104.0) == 40.0
    assert default(pipeline, "RR-1392", "limit") == celsius(100.9) == celsius(101.0) == 38.3
    assert default(pipeline, "RR-1394", "limit") == celsius(95.0) == 35.0


def test_glucose_limits_in_mmol(pipeline: Pipeline) -> None:
    """Massachusetts 2.3A: 70 mg/dL, 3.9 mmol/L; Rhode Island: 60 mg/dL, 3.33 mmol/L."""
    assert default(pipeline, "RR-1389", "limit") == 70 == mg_dl(3.89)
    assert default(pipeline, "RR-1388", "limit") == 60 == mg_dl(3.33)
