"""Dangers that were charted and said too low, to the wrong reader, or not at all: one row each, on the exemplary record.

The rows are those of a trial of release 0.1.0 by people who had not seen the rules; no row holds on that release.
"""

from __future__ import annotations

import json
from typing import Any, NamedTuple

import pytest

from service.commands.rule_checks import apply_patch, exemplary
from service.review.build import Review
from tests.support.pipeline import pipeline

BASE = exemplary()
DAY = "2031-04-12T"


class Row(NamedTuple):
    """What is charted; the rule that speaks; how grave, to whom, and a word of what it says."""

    patch: dict[str, Any]
    rule: str
    severity: str
    reader: str
    says: str = ""


def at(time: str) -> str:
    return f"{DAY}{time}:00-06:00"


def event(code: str, time: str = "18:30") -> dict[str, Any]:
    return {"id": "u2", "event": code, "time": at(time), "before_care": False}


ARREST = {"/monitoring/events/-": event("arrest")}
SPO2 = "/monitoring/vitals/4/spo2"
ROWS = {
    # Too low, or to the wrong reader.
    "midazolam 50 mg": Row({"/sedation/doses/0/dose": 50}, "RR-1263", "critical", "reviewer", "50 mg"),
    "midazolam 50 mg, asked too": Row({"/sedation/doses/0/dose": 50}, "RR-1265", "warning", "author"),
    "ketamine 4,000 mg": Row(
        {"/sedation/doses/0/drug": "ketamine", "/sedation/doses/0/dose": 4000}, "RR-1263", "critical", "reviewer", "4000 mg"
    ),
    "midazolam 10 mg four times": Row(
        {"/sedation/doses": [{"drug": "midazolam", "time": at(f"18:{m}"), "dose": 10, "unit": "mg", "route": "iv"} for m in (12, 18, 24, 30)]},
        "RR-1264", "critical", "reviewer", "40 mg",
    ),  # fmt: skip
    "vomiting half upright": Row({"/monitoring/events/-": event("vomiting")}, "RR-1348", "critical", "reviewer"),
    "ankle tied to another limb": Row({"/application/limbs/2/anchor": "other_limb"}, "RR-1461", "critical", "reviewer"),
    "arrest, treated": Row(
        {**ARREST, "/monitoring/actions/-": {"id": "a2", "action": "cpr", "time": at("18:30")}},
        "RR-1460", "critical", "reviewer",
    ),  # fmt: skip
    "an allergy": Row({"/patient/allergies": ["midazolam"]}, "RR-1223", "critical", "reviewer"),
    "weight on the neck found and never ended": Row(
        {"/application/body_weight/-": {"id": "w2", "place": "neck", "start": at("17:59"), "care": "found_at_contact"}},
        "RR-1081", "warning", "author",
    ),  # fmt: skip
    "check on the wrong side": Row(
        {"/application/limbs": BASE["application"]["limbs"][1:], "/monitoring/limb_checks/10/side": "right"},
        "RR-1462", "warning", "author",
    ),  # fmt: skip
    # Every danger has its question.
    "SpO2 86, asked": Row({SPO2: 86}, "RR-1463", "warning", "author"),
    "pressure 80, asked": Row({"/monitoring/vitals/4/sbp": 80}, "RR-1464", "warning", "author"),
    "deep sedation, asked": Row(
        {"/monitoring/vitals/4/agitation_score": -5, "/monitoring/breathing_checks": []}, "RR-1465", "warning", "author"
    ),
    "glucose 44, asked": Row({"/monitoring/vitals/4/glucose_mg_dl": 44}, "RR-1466", "warning", "author", "44 mg/dL"),
    "temperature 40.6, asked": Row({"/monitoring/vitals/4/temperature_c": 40.6}, "RR-1467", "warning", "author", "40.6"),
    "no pulse, asked": Row({"/monitoring/limb_checks/5/pulse": "absent"}, "RR-1468", "warning", "author"),
    "vomiting, asked": Row({"/monitoring/events/-": event("vomiting")}, "RR-1469", "warning", "author"),
    "suddenly quiet, asked": Row({"/monitoring/events/-": event("suddenly_quiet", "18:29")}, "RR-1470", "warning", "author"),
    "oxygen entered 45 min late": Row(
        {SPO2: 86, "/monitoring/actions/-": {"action": "oxygen_given", "time": at("18:29"), "entered": at("19:13")}},
        "RR-1471", "warning", "reviewer", "45 min",
    ),  # fmt: skip
    "therapy was running": Row(
        {SPO2: 86, "/monitoring/vitals/5/spo2": 85, "/monitoring/vitals/3/oxygen": "oxygen", "/monitoring/vitals/4/oxygen": "oxygen", "/monitoring/vitals/5/oxygen": "oxygen"},
        "RR-1360", "critical", "reviewer", "Therapy running already: yes",
    ),  # fmt: skip
    # Two places held against each other.
    "diastolic over systolic": Row({"/monitoring/vitals/3/dbp": 152}, "RR-1472", "warning", "author"),
    "room air with 15 L/min": Row({"/monitoring/vitals/3/oxygen_l_min": 15}, "RR-1473", "warning", "author"),
    "unresponsive with GCS 15": Row({"/monitoring/vitals/3/acvpu": "unresponsive"}, "RR-1474", "warning", "reviewer"),
    "RASS -5 with GCS 15": Row({"/monitoring/vitals/3/agitation_score": -5}, "RR-1474", "warning", "reviewer"),
    "male and pregnant": Row({"/patient/pregnant": True}, "RR-1475", "warning", "author"),
    "glucose 44 and not found": Row({"/monitoring/vitals/0/glucose_mg_dl": 44}, "RR-1476", "warning", "reviewer"),
    "broken skin, no injury": Row({"/monitoring/limb_checks/9/skin": "broken"}, "RR-1477", "warning", "reviewer"),
    "as intended at RASS +3": Row(
        {f"/monitoring/vitals/{i}/agitation_score": 3 for i in range(1, len(BASE["monitoring"]["vitals"]))},
        "RR-1478", "warning", "reviewer",
    ),  # fmt: skip
    "removal against limb off": Row({"/handover/removed_time": at("18:30")}, "RR-1479", "warning", "author"),
    "given and contraindicated": Row(
        {"/sedation/not_given/0/drug": "midazolam", "/sedation/not_given/0/reason": "contraindicated"},
        "RR-1480", "warning", "reviewer",
    ),  # fmt: skip
    "a milder measure worked": Row({"/decision/alternatives/0/result": "worked"}, "RR-1481", "warning", "reviewer"),
    "capacity absent, able in all": Row({"/decision/capacity_basis": ["able_in_all"]}, "RR-1482", "warning", "reviewer"),
    "66 kg at 9 years": Row(
        {"/patient/age": {"value": 9, "unit": "a"}, "/patient/weight_kg": 66}, "RR-1483", "warning", "reviewer"
    ),
    "pregnancy not told": Row(
        {"/patient/sex": "female", "/patient/pregnant": True, "/handover/told": ["restraint", "sedation"]},
        "RR-1484", "warning", "author",
    ),  # fmt: skip
    "two times of one arrest": Row(
        {**ARREST, "/injuries/complications": [{"complication": "cardiac_arrest", "time": at("18:44")}]},
        "RR-1489", "warning", "reviewer",
    ),  # fmt: skip
    # Entries outside care.
    "a set an hour after transfer": Row({"/monitoring/vitals/5/time": at("19:49")}, "RR-1485", "warning", "author"),
    "a set a day before contact": Row(
        {"/monitoring/vitals/0/time": "2031-04-11T18:04:00-06:00"}, "RR-1485", "warning", "author"
    ),
    "an action after transfer": Row(
        {"/monitoring/actions/-": {"action": "oxygen_given", "time": at("19:49")}}, "RR-1485", "warning", "author"
    ),
    "an event after transfer": Row({"/monitoring/events/-": event("struggling", "19:49")}, "RR-1485", "warning", "author"),
    "decision an hour early": Row({"/decision/time": at("17:09")}, "RR-1486", "warning", "author"),
    "decision an hour late": Row({"/decision/time": at("19:09")}, "RR-1486", "warning", "author"),
    "removal an hour late": Row({"/handover/removed_time": at("19:48")}, "RR-1479", "warning", "author"),
    "officers came a day late": Row({"/custody/arrived": "2031-04-13T17:55:00-06:00"}, "RR-1487", "warning", "author"),
    "officers left a day early": Row({"/custody/left": "2031-04-11T18:24:00-06:00"}, "RR-1487", "warning", "author"),
    "facility told an hour late": Row({"/transport/facility_told_time": at("19:30")}, "RR-1488", "warning", "author"),
    "facility told an hour early": Row({"/transport/facility_told_time": at("17:30")}, "RR-1488", "warning", "author"),
}  # fmt: skip


def reviewed(patch: dict[str, Any]) -> Review:
    steps = [{"op": "add" if path.endswith("-") else "replace", "path": path, "value": patch[path]} for path in patch]
    return pipeline().review(json.dumps(apply_patch(BASE, steps)).encode(), "application/json", "default")


def review(patch: dict[str, Any]) -> dict[str, Any]:
    return reviewed(patch).document


@pytest.mark.parametrize("row", ROWS.values(), ids=ROWS)
def test_a_danger_is_spoken_of(row: Row) -> None:
    found = {finding["rule"]["id"]: finding for finding in review(row.patch)["findings"]}
    assert row.rule in found
    finding = found[row.rule]
    assert (finding["severity"], finding["handled_by"]) == (row.severity, row.reader)
    assert row.says in finding["message"]


def test_the_record_as_it_is_says_nothing() -> None:
    assert review({})["findings"] == []


@pytest.mark.parametrize(
    ("patch", "danger", "question"),
    [
        ({SPO2: 86}, "RR-1360", "RR-1463"),
        ({"/monitoring/vitals/4/sbp": 80}, "RR-1382", "RR-1464"),
        ({"/monitoring/vitals/4/glucose_mg_dl": 44}, "RR-1388", "RR-1466"),
        ({"/monitoring/vitals/4/temperature_c": 40.6}, "RR-1391", "RR-1467"),
        ({"/monitoring/limb_checks/5/pulse": "absent"}, "RR-1311", "RR-1468"),
        ({"/monitoring/events/-": event("vomiting")}, "RR-1348", "RR-1469"),
    ],
)
def test_a_danger_and_its_question_are_one_story(patch: dict[str, Any], danger: str, question: str) -> None:
    story = {finding["rule"]["id"]: finding["story"] for finding in review(patch)["findings"]}
    assert story[danger] == story[question] is not None


def test_nobody_is_asked_after_harm() -> None:
    """After a death, an arrest or an injury the danger goes to the reviewer alone."""
    found = {finding["rule"]["id"] for finding in review({SPO2: 86, "/injuries/death": {"died": True}})["findings"]}
    assert "RR-1360" in found
    assert "RR-1463" not in found


def test_what_goes_to_review_asks_for_no_entry() -> None:
    """Read after a bad outcome, such a sentence is a prompt to write the missing response."""
    for rule in pipeline().rulebook.rules:
        if rule.handled_by == "reviewer" and rule.category == "safety" and rule.id not in ("RR-1197", "RR-1471"):
            assert "late entry" not in rule.remediation, rule.id


def test_no_ground_is_asked_for_where_there_was_none() -> None:
    patch = {"/decision/capacity": "present", "/decision/danger_to": ["self"], "/decision/authority": "none"}
    assert reviewed(patch).outcomes["RR-1013"] == "not_applicable"
