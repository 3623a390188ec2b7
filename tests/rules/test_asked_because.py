"""A question to the author says why it is asked, and a rule file that does not is refused."""

from __future__ import annotations

import copy
from typing import Any

import pytest

from service.intake import strict_yaml
from service.resources import rules_directory
from service.rulebook.rule_file import Slip, read_rule
from tests.support.pipeline import pipeline

BOOK = pipeline().rulebook
ASKED = [rule for rule in BOOK.rules if rule.category == "completeness" and rule.handled_by == "author"]
#: The numbers that a rule may follow, by full name.
NUMBERS = {f"{rule.id}.{number.name}": number for rule in BOOK.rules for number in rule.parameters}


def read(data: dict[str, Any], facts: dict[str, Any] | None = None) -> str | None:
    """Read a rule file as the loader does, and give back why it is asked."""
    rule, _ = read_rule(data, BOOK.vocabulary, BOOK.sources, BOOK.facts if facts is None else facts, NUMBERS)
    return rule.asked_because


def raw(rule_id: str) -> dict[str, Any]:
    """A rule file as loaded."""
    found = next(rule for rule in BOOK.rules if rule.id == rule_id)
    return copy.deepcopy(dict(found.raw))


@pytest.mark.parametrize("rule_id", ["RR-1303", "RR-1307"])
@pytest.mark.parametrize("severity", ["critical", "warning", "info"])
def test_a_question_without_a_reason_is_refused(rule_id: str, severity: str) -> None:
    data = raw(rule_id)
    assert read(data)
    del data["asked_because"]
    if severity in data["severity"]["allowed"]:
        data["severity"]["default"] = severity
    with pytest.raises(Slip, match="asked_because stands on every completeness rule of the author"):
        read(data)


@pytest.mark.parametrize("rule_id", ["RR-1057", "RR-1360", "RR-1174"])
def test_a_reason_stands_nowhere_else(rule_id: str) -> None:
    """Not on a rule that is counted, nor on one for the reviewer, nor on two places that disagree."""
    data = raw(rule_id)
    ordered = {}
    for part, value in data.items():
        ordered[part] = value
        if part == "why":
            ordered["asked_because"] = "The next team needs it."
    with pytest.raises(Slip, match="and only there"):
        read(ordered)


def test_a_list_has_to_be_marked_as_due_at_closing() -> None:
    data = raw("RR-1053")
    assert read(data) == f"A published list asks for it: {BOOK.facts['DOC-MA']['says']}"
    for wrong in ({"list": "DOC-IN"}, {"list": "NO-SUCH"}, {"lists": "DOC-MA"}, "", "long " * 40, 7):
        with pytest.raises(Slip, match="asked_because"):
            read(data | {"asked_because": wrong})
    unmarked = {name: {k: v for k, v in fact.items() if k != "due_at_closing"} for name, fact in BOOK.facts.items()}
    with pytest.raises(Slip, match="not marked due_at_closing"):
        read(data, unmarked)


def test_lists_that_are_due_at_closing_are_those_of_a_state() -> None:
    marked = {
        name: fact["source"]
        for name, fact in strict_yaml.load(rules_directory() / "sources.yaml")["facts"].items()
        if fact.get("due_at_closing")
    }
    assert set(marked.values()) == {"massachusetts-2026", "rhode-island", "colorado-25-3.5-209"}


def test_every_question_is_short_enough_for_a_tired_reader() -> None:
    """What is missing and where, and why it is asked: under 20 words each, a placeholder read as a word."""
    assert len(ASKED) > 50
    for rule in ASKED:
        for text in (rule.message, rule.message_many or "", rule.asked_because or ""):
            told = text.removeprefix("A published list asks for it: ")
            assert len(told.split()) < 20, f"{rule.id}: {text}"


def test_a_question_is_asked_of_the_author_only_with_its_reason_in_the_catalogue() -> None:
    from service.rulebook.catalogue import rule_entry

    for rule in BOOK.rules:
        assert ("asked_because" in rule_entry(rule, BOOK)) == (rule in ASKED), rule.id


def test_the_profile_for_a_first_month_switches_nothing_off_and_touches_no_danger() -> None:
    essential = BOOK.profiles["essential"]
    rules = {rule.id: rule for rule in BOOK.rules}
    assert essential.off == ()
    assert (essential.parameters, essential.severities) == ({}, {})
    assert all(
        rules[rule].category == "completeness" and rules[rule].severity == "warning" for rule in essential.measures
    )
    left = [rule for rule in ASKED if rule.id not in essential.measures]
    assert sum(rule.severity == "critical" for rule in left) == sum(rule.severity == "critical" for rule in ASKED)
    # What was done for a danger is asked from the first day.
    kinds = BOOK.vocabulary.kinds
    ordinary = [rule for rule in ASKED if not kinds[rule.about].danger]
    left = [rule for rule in left if not kinds[rule.about].danger]
    assert len(left) < len(ordinary) * 2 / 3 + 1
