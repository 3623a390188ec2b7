"""What differs between two profiles and between two rulebooks."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pytest

from service.batch import compare, lines
from service.pages import comparison
from service.pipeline import Pipeline
from service.resources import rules_directory
from tests.batch.made import BAD, some
from tests.support.batch import compared, review_line
from tests.support.episodes import check, encoded, limb, small, vital
from tests.support.reviews import instances

LIMBS = small(
    limbs=[limb()],
    handover=60,
    monitoring={
        "limb_checks": [check(2), check(16), check(28), check(40), check(52)],
        "vitals": [vital(8 * n, hr=90, rr=16, spo2=97, sbp=120) for n in range(8)],
    },
)


def two(pipeline: Pipeline, given: list[bytes], left: str, right: str) -> dict[str, Any]:
    return compared((pipeline, left), (pipeline, right), given)


def totals(found: dict[str, Any]) -> dict[str, dict[str, int]]:
    return {rule["rule"]: {change: n for change, n in rule["totals"].items() if n} for rule in found["rules"]}


def test_the_same_side_twice_differs_in_nothing(pipeline: Pipeline) -> None:
    found = two(pipeline, list(some(16)), "default", "default")
    assert found["rules"] == []
    assert found["lines"]["compared"] == 16
    assert "Nothing differs." in comparison.render(found)


@pytest.mark.parametrize("profile", ["massachusetts-2026", "rhode-island", "clark-2025", "salt-lake-2026"])
def test_counts_are_those_of_the_reviews(pipeline: Pipeline, profile: str) -> None:
    given = [body for body in some(24, bad_every=8) if body.strip()]
    found = two(pipeline, given, "default", profile)
    before, after = set(), set()
    for name, into in (("default", before), (profile, after)):
        for number, body in enumerate(given, 1):
            answer = json.loads(review_line(pipeline, body, number, name))
            if answer["status"] == 200:
                into.update(
                    (number, f["rule"]["id"], f["fingerprint"], f["severity"]) for f in instances(answer["review"])
                )
    marks = [{entry[:3] for entry in side} for side in (before, after)]
    appear = sum(rule["totals"]["appears"] + rule["totals"]["moves"] for rule in found["rules"])
    vanish = sum(rule["totals"]["vanishes"] + rule["totals"]["moves"] for rule in found["rules"])
    assert appear == len(marks[1] - marks[0])
    assert vanish == len(marks[0] - marks[1])
    assert sum(rule["totals"]["severity"] for rule in found["rules"]) == len(before - after) - vanish
    for side, findings in (("left", before), ("right", after)):
        assert found["findings"][side] == {
            severity: sum(entry[3] == severity for entry in findings) for severity in ("critical", "warning", "info")
        }
    assert found["totals"] == {c: sum(rule["totals"][c] for rule in found["rules"]) for c in compare.CHANGES}
    assert found["lines"]["rejected"] == 2
    assert found["left"]["profile_digest"] != found["right"]["profile_digest"]


def test_what_is_set_otherwise_is_the_whole_profile(pipeline: Pipeline) -> None:
    """Every choice of a profile that differs from the default stands with its rule, whether a record tells or not."""
    profile = pipeline.rulebook.profiles["massachusetts-2026"]
    found = two(pipeline, [encoded(LIMBS)], "default", profile.id)
    said = {
        (entry["rule"], each["name"]): (each["left"], each["right"])
        for entry in (*found["rules"], *found["without_effect"])
        for each in entry["set_otherwise"]
    }
    expected = {}
    for rule in pipeline.rulebook.rules:
        defaults = {"severity": rule.severity} | {each.name: each.default for each in rule.parameters}
        chosen = {each.name: each.under(rule.id, profile.numbers) for each in rule.parameters} | (
            {"severity": profile.severities[rule.id]} if rule.id in profile.severities else {}
        )
        expected |= {
            (rule.id, name): (defaults[name], value) for name, value in chosen.items() if value != defaults[name]
        }
    assert said == expected
    assert expected
    # A change without a setting that explains it would be a fault of ours.
    assert all(rule["set_otherwise"] for rule in found["rules"])


def test_left_and_right_are_told_apart(pipeline: Pipeline) -> None:
    there = totals(two(pipeline, [encoded(LIMBS)], "default", "massachusetts-2026"))
    back = totals(two(pipeline, [encoded(LIMBS)], "massachusetts-2026", "default"))
    assert there
    swap = {"appears": "vanishes", "vanishes": "appears", "severity": "severity", "moves": "moves"}
    assert back == {rule: {swap[change]: n for change, n in changes.items()} for rule, changes in there.items()}


def test_two_rulebooks(pipeline: Pipeline, tmp_path: Path) -> None:
    other = tmp_path / "rules"
    shutil.copytree(rules_directory(), other)
    (path,) = other.glob("monitoring/RR-1303-*.yaml")
    text = path.read_text("utf-8")
    assert "severity: {default: critical" in text
    path.unlink()
    for profile in other.glob("profiles/*.yaml"):
        if "RR-1303" in profile.read_text("utf-8"):
            profile.unlink()
    document = small(limbs=[limb()], handover=60, monitoring={"limb_checks": []})
    other_rules = Pipeline.build(other, profiles=["default"])
    found = compared((pipeline, "default"), (other_rules, "default"), [encoded(document)])
    (rule,) = [rule for rule in found["rules"] if rule["rule"] == "RR-1303"]
    assert rule["set_otherwise"] == [{"name": "in the rulebook", "unit": "", "left": True, "right": False}]
    assert rule["totals"] == {"appears": 0, "vanishes": 1, "severity": 0, "moves": 0}
    assert rule["changes"][0]["left"] == "critical"
    assert rule["changes"][0]["examples"] == [{"file": "", "line": 1, "episode_ref": "test-1"}]
    assert rule["outcomes"] == [{"left": "finding", "right": "off", "records": 1}]
    assert found["left"]["ruleset_digest"] != found["right"]["ruleset_digest"]


def test_examples_are_few_and_the_first(pipeline: Pipeline) -> None:
    given = [encoded(LIMBS | {"episode_ref": f"e-{n}"}) for n in range(9)]
    whole = two(pipeline, given, "default", "massachusetts-2026")
    tally = compare.Tally()
    for number in reversed(range(9)):
        one = compare.Tally()
        answers = [
            lines.answer(pipeline, given[number], number + 1, name) for name in ("default", "massachusetts-2026")
        ]
        one.add(*answers, 0)
        tally.merge(one)
    assert compare.document(tally, (pipeline, "default"), (pipeline, "massachusetts-2026"), [""]) == whole
    for rule in whole["rules"]:
        for change in rule["changes"]:
            assert [example["line"] for example in change["examples"]] == [1, 2, 3, 4, 5]


def test_as_a_person_reads_it(pipeline: Pipeline) -> None:
    text = comparison.render(two(pipeline, [encoded(LIMBS), BAD], "default", "massachusetts-2026"), 60)
    assert max(map(len, text.splitlines())) <= 60
    assert "1 record compared, 1 with a change; 1 line could not" in text.replace("\n", " ")
    flat = " ".join(text.split())
    assert "From left to right, findings: 1 appears, 0 vanish, 0 change severity" in flat
    assert "1 record from clear to finding" in flat
    assert "1 record from finding to clear" in flat, "what is only counted changes too"
    assert "max gap: 15 min on the left, 5 min on the right" in flat
    assert "test-1 (line 1)" in flat
    assert "Set otherwise, and no record here tells the difference:" in flat
    assert "Local protocol and medical direction always win" in text
