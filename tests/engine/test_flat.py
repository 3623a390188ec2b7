"""The flat form of the rules says what their closures say."""

from __future__ import annotations

import random
from collections import Counter

import pytest

from service.engine import generated
from service.engine.evaluator import ERROR, OUTCOME_ORDER, compile_rule
from service.facts.fact import Fact
from service.rulebook.rule import Group, Leaf
from tests.engine.real import subject
from tests.engine.sheets import literals_of, random_fact
from tests.engine.synthetic import BOOL, INT, bound, group, random_catalogue, random_rules, words


def _said(kind: generated.Kind, fact: Fact, rules: int) -> list[str]:
    """What each rule (by number) says of a fact, the rules that its word rules out included."""
    part, says = kind.ask(fact)
    said = dict.fromkeys(range(rules), "not_applicable")
    return list((said | {n: generated.OUTCOMES[s] for n, s in zip(part.rules, says, strict=True)}).values())


@pytest.mark.parametrize("seed", range(40))
def test_random_rules(seed: int) -> None:
    rng = random.Random(seed)
    catalogue = random_catalogue(rng, 1)
    (kind,) = catalogue
    rules = random_rules(rng, catalogue, 60)
    literals, compiled = literals_of(rules), [compile_rule(rule) for rule in rules]
    built = generated.compile_kinds(rules, catalogue)[kind]
    for _ in range(200):
        fact = random_fact(rng, kind, catalogue, literals, unknown=rng.choice((0.0, 0.2, 0.6)))
        assert _said(built, fact, len(rules)) == [rule.outcome(fact) for rule in compiled]


def test_the_real_rulebook() -> None:
    decider, catalogue, literals = subject()
    rng = random.Random(5)
    built = generated.compile_kinds(decider.rules, catalogue)
    seen: Counter[str] = Counter()
    for kind, of in built.items():
        rules = [rule for rule in decider.rules if rule.rule.about == kind]
        own = generated.compile_kinds(rules, catalogue)[kind]
        assert own.whole.rules == tuple(range(len(rules)))
        assert len(of.whole.rules) == len(rules)
        compiled = [compile_rule(rule) for rule in rules]
        for _ in range(150):
            fact = random_fact(rng, kind, catalogue, literals, unknown=rng.choice((0.0, 0.2, 0.5)))  # type: ignore[arg-type]
            said = _said(own, fact, len(rules))
            assert said == [rule.outcome(fact) for rule in compiled]
            seen.update(said)
    assert min(seen.values()) > 1000
    assert len(seen) == 4


def test_a_fact_is_put_to_the_rules_of_its_word_alone() -> None:
    catalogue = {"limb": {"side": words("left", "right", "none_seen"), "n": INT, "b": BOOL}}
    fails = group({"all": [{"n": {"gt": 5}}]})
    rules = [
        bound(1, "limb", group({"all": [{"side": {"eq": "left"}}]}), fails),
        bound(2, "limb", group({"all": [{"side": {"eq": "right"}}, {"b": {"eq": True}}]}), fails),
        bound(3, "limb", Group("all", (Leaf("b", "eq", True),)), fails),
        bound(4, "limb", group({"any": [{"side": {"eq": "left"}}, {"b": {"eq": True}}]}), fails),
    ]
    kind = generated.compile_kinds(rules, catalogue)["limb"]
    assert kind.attribute == "side"
    for word, expected in (("left", (0, 2, 3)), ("right", (1, 2, 3)), ("none_seen", (2, 3)), (None, (0, 1, 2, 3))):
        assert kind.ask(Fact("limb", "", (), {} if word is None else {"side": word}))[0].rules == expected


def test_the_graver_outcome_has_the_higher_number() -> None:
    """A rule's outcome is the gravest of its facts, in the order of design: finding, not assessable, clear, not applicable."""
    numbers = [generated.OUTCOMES.index(outcome) for outcome in OUTCOME_ORDER if outcome != ERROR]
    assert numbers == sorted(numbers, reverse=True)
    assert [generated.OUTCOMES[n] for n in (generated.FOUND, generated.OPEN, generated.CLEAR_, 0)] == [
        "finding", "not_assessable", "clear", "not_applicable",
    ]  # fmt: skip
