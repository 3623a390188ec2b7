"""Readings that are critical at any time: without a response critical, without a recheck warning, with both info.

The limits are those of the sources named in test_vectors.py; the steps are
this project's own (5 min each, 8 min to sugar, 15 min to cooling, and 60 s for whole minutes).
Beside each danger that review looks at, its author is asked once what was done.
"""

from __future__ import annotations

from typing import Any

import pytest

from service.pipeline import Pipeline
from tests.support.episodes import Document, clock, exemplary, put
from tests.support.reviews import above_info, infos
from tests.support.vectors import MIDDLE, aged, every_sign, unsedated, with_signs

#: What is charted in the middle set, at minute 28 -> what answers it, the rules that speak (unanswered, not rechecked, answered).
CRITICAL: dict[str, tuple[dict[str, Any], str, tuple[str, str, str]]] = {
    "SpO2 under 90": ({"spo2": 89}, "oxygen_given", ("RR-1360", "RR-1395", "RR-1365")),
    "rate of 8": ({"rr": 8}, "ventilated", ("RR-1367", "RR-1395", "RR-1372")),
    "EtCO2 of 50": ({"etco2_mmhg": 50}, "airway_opened", ("RR-1375", "RR-1395", "RR-1380")),
    "waveform lost": ({"etco2_waveform": "lost"}, "airway_opened", ("RR-1377", "RR-1395", "RR-1381")),
    "systolic under 90": ({"sbp": 89}, "fluid", ("RR-1382", "RR-1396", "RR-1384")),
    "glucose of 60": ({"glucose_mg_dl": 60}, "dextrose", ("RR-1388", "RR-1396", "RR-1390")),
    "temperature of 40.0": ({"temperature_c": 40.0}, "cooling", ("RR-1391", "RR-1396", "RR-1393")),
}

#: What else speaks beside the danger: the question to its author, and what the record says against the reading.
BESIDE = {
    "SpO2 under 90": ["RR-1463 warning", "RR-1565 warning"],  # no adverse effect of the dose is charted
    "rate of 8": ["RR-1463 warning"],
    "EtCO2 of 50": ["RR-1463 warning"],
    "waveform lost": ["RR-1463 warning"],
    "systolic under 90": ["RR-1464 warning", "RR-1565 warning"],
    "glucose of 60": ["RR-1466 warning", "RR-1476 warning"],  # low glucose is charted as looked for and not found
    "temperature of 40.0": ["RR-1467 warning"],
}
#: Review looks at every ventilation by mask and every serious effect that is charted, whatever was done.
LOOKED_AT_ALWAYS = ("RR-1352", "RR-1238")
#: Minute at which an answer is too late: 5 min and 60 s are over, 8 min and 60 s for sugar, 15 min and 60 s for cooling.
TOO_LATE = dict.fromkeys(CRITICAL, 35) | {"glucose of 60": 38, "temperature of 40.0": 45}


def acted(document: Document, action: str, minute: float) -> Document:
    put(
        document,
        "/monitoring/actions",
        [{"id": "t9", "action": action, "time": clock(minute), "entered": clock(minute)}],
    )
    put(document, "/monitoring/events", [])
    return document


def well_charted(document: Document, name: str) -> Document:
    """Nothing else in the record speaks against the reading: the effect of the dose and the cause found are charted."""
    if effect := {"SpO2 under 90": "hypoxia", "systolic under 90": "hypotension"}.get(name):
        put(document, "/sedation/doses/0/adverse_effects", [effect])
    if name == "glucose of 60":
        cause = next(c for c in document["decision"]["causes"] if c["cause"] == "hypoglycaemia")
        cause["result"] = "found"
    return document


def read_once(signs: dict[str, Any]) -> Document:
    """The reading stands in the middle set; no later set has that sign. A high EtCO2 baseline keeps the rise out of it."""
    document = every_sign(exemplary(), etco2_mmhg=44)
    with_signs(MIDDLE, document, **signs)
    for index in range(MIDDLE + 1, len(document["monitoring"]["vitals"])):
        for name in signs:
            del document["monitoring"]["vitals"][index][name]
    return document


def read_again(signs: dict[str, Any]) -> Document:
    """The same, and every later set has the sign as it was."""
    document = every_sign(exemplary(), etco2_mmhg=44)
    return with_signs(MIDDLE, document, **signs)


@pytest.mark.parametrize("name", CRITICAL)
def test_without_a_response(pipeline: Pipeline, name: str) -> None:
    signs, _, (rule, _, _) = CRITICAL[name]
    assert above_info(pipeline, read_again(signs)) == [f"{rule} critical", *BESIDE[name]]


@pytest.mark.parametrize("name", CRITICAL)
def test_with_a_response_and_a_recheck(pipeline: Pipeline, name: str) -> None:
    signs, action, (_, _, rule) = CRITICAL[name]
    document = well_charted(acted(read_again(signs), action, 29), name)
    lines = above_info(pipeline, document)
    seen = [line for line in lines if line.split()[0] not in LOOKED_AT_ALWAYS]
    assert seen == [] and rule in infos(pipeline, document)


@pytest.mark.parametrize("name", CRITICAL)
def test_with_a_response_and_no_recheck(pipeline: Pipeline, name: str) -> None:
    signs, action, (critical, rule, answered) = CRITICAL[name]
    document = acted(read_once(signs), action, 29)
    lines = above_info(pipeline, document)
    assert f"{rule} warning" in lines and f"{critical} critical" not in lines
    assert answered not in infos(pipeline, document)


@pytest.mark.parametrize("name", CRITICAL)
def test_a_response_that_came_too_late_or_was_another(pipeline: Pipeline, name: str) -> None:
    signs, action, (rule, _, _) = CRITICAL[name]
    for document in (
        acted(read_again(signs), action, TOO_LATE[name]),
        acted(read_again(signs), action, 27),
        acted(read_again(signs), "defibrillation", 29),
    ):
        assert f"{rule} critical" in above_info(pipeline, document)


@pytest.mark.parametrize("minute", [34, 36, 37])
def test_sugar_in_the_eight_minutes_after_the_reading_is_an_answer(pipeline: Pipeline, minute: int) -> None:
    """A line or the kit has to be at hand first; the minute more is for whole minutes."""
    signs, action, (rule, _, _) = CRITICAL["glucose of 60"]
    assert f"{rule} critical" not in above_info(pipeline, acted(read_again(signs), action, minute))


LESSER = [
    ("spo2", 85, 92, "oxygen_given", "RR-1362"),
    ("rr", 7, 10, "stimulated", "RR-1371"),
    ("glucose_mg_dl", 55, 66, "dextrose", "RR-1389"),
    ("temperature_c", 40.5, 39.0, "cooling", "RR-1392"),
]


@pytest.mark.parametrize(("sign", "worse", "lesser", "action", "rule"), LESSER)
def test_an_answered_reading_does_not_hide_a_lesser_one_that_was_not(
    pipeline: Pipeline, sign: str, worse: float, lesser: float, action: str, rule: str
) -> None:
    """The worse reading is answered and taken again; the lesser ones that follow have no response of their own."""
    low: dict[str, Any] = {sign: lesser}
    alone = with_signs(6, **low)
    assert f"{rule} warning" in above_info(pipeline, alone)
    high: dict[str, Any] = {sign: worse}
    document = acted(with_signs(4, **high), action, 28)
    with_signs(5, document, **low)
    with_signs(6, document, **low)
    assert f"{rule} warning" in above_info(pipeline, document)


@pytest.mark.parametrize(
    ("age", "rr", "expected"),
    [
        (40, 8, "RR-1367"),
        (15, 11, "RR-1368"),
        (13, 11, "RR-1368"),
        (12, 15, "RR-1369"),
        (1, 15, "RR-1369"),
        (12, 8, "RR-1367"),
        (15, 12, None),
        (12, 16, None),
    ],
)
def test_slow_breathing_by_age(pipeline: Pipeline, age: int, rr: int, expected: str | None) -> None:
    """Maryland BLS procedure 12.2: assist under 8 (adult), under 12 (13 to 18 years), under 16 (1 to 12 years)."""
    document = with_signs(MIDDLE, unsedated(aged(age)), rr=rr)
    assert above_info(pipeline, document) == ([f"{expected} critical", "RR-1463 warning"] if expected else [])
