"""NEWS2 against Royal College of Physicians, National Early Warning Score (NEWS) 2, 2017, Chart 1.

The nine sets N1 to N9 were added by hand from the chart. TV-17 is their totals.
"""

from __future__ import annotations

from typing import Any

import pytest

from service.facts.scales import news2_parts
from service.pipeline import Pipeline
from tests.support.episodes import Document, limb, one, small, vital
from tests.support.reviews import above_info, infos
from tests.support.vectors import LAST, aged, with_signs

#: rr, spo2, oxygen, sbp, hr, ACVPU, temperature, scale 2, points (rr, spo2, oxygen, sbp, hr, consciousness, temperature), total
SETS: dict[str, tuple[Any, ...]] = {
    "N1 calm": (16, 98, "air", 122, 76, "alert", 36.8, False, (0, 0, 0, 0, 0, 0, 0), 0),
    "N2 agitated": (24, 95, "air", 158, 128, "confused", 38.4, False, (2, 1, 0, 0, 2, 3, 1), 9),
    "N3 over-sedated": (8, 90, "oxygen", 104, 88, "pain", 36.9, False, (3, 3, 2, 1, 0, 3, 0), 12),
    "N4 sedated, recovering": (14, 97, "oxygen", 118, 92, "voice", 37.0, False, (0, 0, 2, 0, 1, 3, 0), 6),
    "N5 hyperthermic": (28, 93, "air", 98, 146, "confused", 40.6, False, (3, 2, 0, 2, 3, 3, 2), 15),
    "N6 COPD, scale 2, oxygen": (20, 96, "oxygen", 140, 100, "alert", 37.2, True, (0, 2, 2, 0, 1, 0, 0), 5),
    "N7 the same on air": (20, 96, "air", 140, 100, "alert", 37.2, True, (0, 0, 0, 0, 1, 0, 0), 1),
    "N8 confusion only": (18, 97, "air", 130, 84, "confused", 37.0, False, (0, 0, 0, 0, 0, 3, 0), 3),
    "N9 cold, slow": (12, 96, "air", 110, 50, "alert", 35.0, False, (0, 0, 0, 1, 1, 0, 3), 5),
}


def episode(
    rr: int,
    spo2: int,
    oxygen: str,
    sbp: int,
    hr: int,
    acvpu: str,
    celsius: float,
    *,
    scale2: bool,
    age: int = 40,
    **more: Any,
) -> Document:
    """One full set after control."""
    signs = {"rr": rr, "spo2": spo2, "oxygen": oxygen, "sbp": sbp, "hr": hr, "acvpu": acvpu, "temperature_c": celsius}
    document = small(limbs=[limb(on=0, off=30)], age=age, handover=30, monitoring={"vitals": [vital(10, **signs)]})
    document["patient"] |= {"oxygen_target": "88-92" if scale2 else "94-98"} | more
    return document


@pytest.mark.parametrize("name", SETS)
def test_worked_sets(name: str) -> None:
    rr, spo2, oxygen, sbp, hr, acvpu, celsius, scale2, points, total = SETS[name]
    parts = news2_parts(
        rr=rr, spo2=spo2, oxygen=oxygen == "oxygen", sbp=sbp, hr=hr, alert=acvpu == "alert", temperature=round(celsius * 10), scale2=scale2
    )  # fmt: skip
    assert parts == points and sum(points) == total
    fact = one(episode(rr, spo2, oxygen, sbp, hr, acvpu, celsius, scale2=scale2), "episode").values
    assert (fact["news2"], fact["news2_single_3"]) == (total, 3 in points)


CALM: dict[str, Any] = {
    "rr": 16,
    "spo2": 98,
    "oxygen": False,
    "sbp": 122,
    "hr": 76,
    "alert": True,
    "temperature": 368,
    "scale2": False,
}
BOUNDARIES = {
    "rr": {8: 3, 9: 1, 11: 1, 12: 0, 20: 0, 21: 2, 24: 2, 25: 3},
    "sbp": {90: 3, 91: 2, 100: 2, 101: 1, 110: 1, 111: 0, 219: 0, 220: 3},
    "hr": {40: 3, 41: 1, 50: 1, 51: 0, 90: 0, 91: 1, 110: 1, 111: 2, 130: 2, 131: 3},
    "temperature": {350: 3, 351: 1, 360: 1, 361: 0, 380: 0, 381: 1, 390: 1, 391: 2},
    "spo2": {91: 3, 92: 2, 93: 2, 94: 1, 95: 1, 96: 0},
}
CASES = [(sign, value, points) for sign, table in BOUNDARIES.items() for value, points in table.items()]


@pytest.mark.parametrize(("sign", "value", "points"), CASES)
def test_boundaries(sign: str, value: int, points: int) -> None:
    assert sum(news2_parts(**CALM | {sign: value})) == points


@pytest.mark.parametrize(("sign", "value", "points"), CASES)
def test_boundaries_from_the_record(sign: str, value: int, points: int) -> None:
    name, charted = ("temperature_c", value / 10) if sign == "temperature" else (sign, value)
    document = episode(16, 98, "air", 122, 76, "alert", 36.8, scale2=False)
    document["monitoring"]["vitals"][0][name] = charted
    assert one(document, "episode").values["news2"] == points


@pytest.mark.parametrize(
    ("spo2", "oxygen", "points"),
    [(83, True, 3), (84, True, 2), (85, True, 2), (86, True, 1), (87, True, 1), (88, True, 0), (92, True, 0), (93, True, 1), (94, True, 1), (95, True, 2), (96, True, 2),
     (97, True, 3), (100, True, 3), (83, False, 3), (84, False, 2), (86, False, 1), (88, False, 0), (93, False, 0), (97, False, 0), (100, False, 0)],
)  # fmt: skip
def test_saturation_on_scale_2(spo2: int, oxygen: bool, points: int) -> None:
    assert news2_parts(**CALM | {"spo2": spo2, "oxygen": oxygen, "scale2": True})[1] == points


@pytest.mark.parametrize("acvpu", ["confused", "voice", "pain", "unresponsive"])
def test_everything_but_alert_scores_3(acvpu: str) -> None:
    fact = one(episode(16, 98, "air", 122, 76, acvpu, 36.8, scale2=False), "episode").values
    assert (fact["news2"], fact["news2_single_3"]) == (3, True)


def test_extremes_are_0_and_20() -> None:
    assert sum(news2_parts(**CALM)) == 0
    worst: dict[str, Any] = {
        "rr": 30,
        "spo2": 80,
        "oxygen": True,
        "sbp": 80,
        "hr": 140,
        "alert": False,
        "temperature": 350,
        "scale2": False,
    }
    assert sum(news2_parts(**worst)) == 20


# ---------------------------------------------------------------- where the score holds


def test_only_from_16_years_and_not_in_pregnancy() -> None:
    calm = (16, 98, "air", 122, 76, "alert", 36.8)
    assert one(episode(*calm, scale2=False, age=16), "episode").values["news2"] == 0
    assert "news2" not in one(episode(*calm, scale2=False, age=15), "episode").values
    assert "news2" not in one(episode(*calm, scale2=False, sex="female", pregnant=True), "episode").values


@pytest.mark.parametrize("sign", ["rr", "spo2", "oxygen", "sbp", "hr", "acvpu", "temperature_c"])
def test_a_set_with_a_missing_part_has_no_score(sign: str) -> None:
    document = episode(16, 98, "air", 122, 76, "alert", 36.8, scale2=False)
    del document["monitoring"]["vitals"][0][sign]
    fact = one(document, "episode")
    assert fact.state("news2") == "missing" and fact.state("news2_single_3") == "missing"


def test_sets_before_control_do_not_count() -> None:
    document = episode(28, 93, "air", 98, 146, "confused", 40.6, scale2=False)
    document["monitoring"]["vitals"][0]["time"] = document["transport"]["at_patient"]
    assert "news2" not in one(document, "episode").values


@pytest.mark.parametrize(
    ("spo2", "acvpu", "expected"), [(96, "alert", False), (92, "alert", False), (96, "confused", True)]
)
def test_the_score_is_never_more_than_info(pipeline: Pipeline, spo2: int, acvpu: str, expected: bool) -> None:
    """RCP 2017 triggers: 5 in all, or 3 in one part. Agitation alone raises it, so it asks for another look only."""
    document = with_signs(LAST, aged(40), spo2=spo2, acvpu=acvpu, rr=16, hr=85, sbp=124, temperature_c=37.1)
    assert ("RR-1397" in infos(pipeline, document)) is expected
    assert not any(line.startswith("RR-1397") for line in above_info(pipeline, document))
