"""Every rule proves itself: examples in both deciders, limits, mutants, the whole way, and the absence it owns."""

from __future__ import annotations

import json

import pytest

from service.commands import rule_checks
from tests.support.pipeline import pipeline

RULES = {rule.id: rule for rule in pipeline().rulebook.rules}
BASE = rule_checks.exemplary()


@pytest.mark.parametrize("rule_id", RULES)
def test_rule(rule_id: str) -> None:
    assert rule_checks.check_rule(pipeline(), RULES[rule_id], BASE) == []


@pytest.mark.parametrize("rule_id", [r.id for r in RULES.values() if r.requires])
def test_deleting_what_a_rule_owns_gives_its_finding_and_no_other(rule_id: str) -> None:
    """Independent of the self-test: one path alone may give it or nothing, all of them together give it alone."""
    patch = [step for path in RULES[rule_id].requires for step in rule_checks.deletions(BASE, path)]
    assert patch, "owns what the exemplary record does not have"
    patch.sort(key=lambda step: [part.zfill(4) for part in step["path"].split("/")], reverse=True)
    body = json.dumps(rule_checks.apply_patch(BASE, patch)).encode()
    document = pipeline().review(body, "application/json", "default").document
    shown = [entry["rule"]["id"] for entry in document["findings"]] + [entry["rule"] for entry in document["counted"]]
    assert shown == [rule_id]


def test_the_walk_is_not_empty() -> None:
    """A list that lost its rules would pass without a word."""
    assert len(RULES) > 300
    assert sum(bool(r.requires) for r in RULES.values()) > 65
