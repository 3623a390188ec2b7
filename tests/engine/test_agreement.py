"""Engine and evaluator agree: random rules over random sheets, in order and shuffled."""

from __future__ import annotations

import random

from service.engine.decide import Decider
from service.facts.fact import FactSheet
from tests.engine import agreement
from tests.engine.sheets import literals_of, random_sheet
from tests.engine.synthetic import random_catalogue, random_rules, random_when_none
from tests.support.pipeline import pipeline


def test_engine_and_evaluator_agree() -> None:
    """Every outcome must turn up often enough to mean something."""
    rulebooks, sheets, _ = agreement.SAMPLE
    seen = agreement.made_up(rulebooks, sheets)
    often = agreement.OFTEN * rulebooks * sheets
    assert min(seen[outcome] for outcome in ("finding", "clear", "not_applicable", "not_assessable")) > often


def test_engine_and_evaluator_agree_over_the_shipped_rules() -> None:
    """In a sample nine rules in ten are seen firing; in the whole run, all."""
    seen = agreement.shipped(agreement.SAMPLE[-1])
    rules = pipeline().rulebook.rules
    assert len([rule for rule in rules if seen[rule.id]]) > 0.9 * len(rules)


def test_the_order_of_facts_changes_nothing() -> None:
    for seed in range(10):
        rng = random.Random(1000 + seed)
        catalogue = random_catalogue(rng, 5)
        rules = random_rules(rng, catalogue, 40)
        literals = literals_of(rules)
        decider = Decider(rules, catalogue, random_when_none(rng, catalogue))
        for _ in range(20):
            sheet = random_sheet(rng, catalogue, literals)
            order = list(range(len(sheet.facts)))
            rng.shuffle(order)
            shuffled = FactSheet(tuple(sheet.facts[index] for index in order), sheet.drawn_from)
            for straight, mixed in zip(decider.decide(sheet), decider.decide(shuffled), strict=True):
                assert not mixed.disputed
                assert mixed.outcome == straight.outcome
                assert {order[index]: outcome for index, outcome in mixed.by_fact} == dict(straight.by_fact)


def test_the_same_sheet_gives_the_same_answer() -> None:
    rng = random.Random(3)
    catalogue = random_catalogue(rng, 5)
    rules = random_rules(rng, catalogue, 40)
    when_none = random_when_none(rng, catalogue)
    sheet = random_sheet(rng, catalogue, literals_of(rules), most=60)
    one, other = Decider(rules, catalogue, when_none), Decider(rules, catalogue, when_none)
    assert list(one.decide(sheet)) == list(one.decide(sheet)) == list(other.decide(sheet))
