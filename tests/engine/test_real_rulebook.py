"""Engine and evaluator agree over the shipped rulebook, and every rule is seen firing.

Half of the facts are random; the other half start from a rule's own example
and have a few attributes changed, because a random fact seldom meets a rule
with six conditions. Either way both deciders get the same sheet, and one
disagreement fails the test.
"""

from __future__ import annotations

import random
from collections import Counter, defaultdict

from service.engine.decide import Decider
from service.facts.fact import Fact, FactSheet
from service.pipeline import bind_defaults
from service.rulebook.examples import fact_examples
from service.rulebook.rule import BoundRule
from tests.engine.sheets import UNKNOWN_STATES, Literals, literals_of, random_fact
from tests.support.pipeline import pipeline

SHEETS = 20_000
MOST = 8
SEED = 20_000


def _seeds() -> list[Fact]:
    """The facts of every rule's own examples."""
    book = pipeline().rulebook
    return [e.fact for rule in book.rules for e in fact_examples(rule, book.vocabulary)]


def _beside(rng: random.Random, seed: Fact, literals: Literals) -> Fact:
    """An example with up to three attributes moved by one, changed, or made unknown."""
    catalogue = pipeline().rulebook.vocabulary.catalogue
    values, states = dict(seed.values), dict(seed.states)
    for name in rng.sample(sorted(values), min(len(values), rng.randint(0, 3))):
        choice = rng.random()
        if choice < 0.3:
            del values[name]
            states[name] = rng.choice(UNKNOWN_STATES)
        elif choice < 0.7 and catalogue[seed.kind][name].type == "int":
            values[name] = int(values[name]) + rng.choice((-1, 1))
        else:
            other = random_fact(rng, seed.kind, {seed.kind: {name: catalogue[seed.kind][name]}}, literals, unknown=0.0)
            values[name] = other.values[name]
    return Fact(seed.kind, seed.key, (), values, states)


def test_engine_and_evaluator_agree_over_the_real_rulebook() -> None:
    book = pipeline().rulebook
    words = book.vocabulary
    rules: tuple[BoundRule, ...] = bind_defaults(book)
    decider = Decider(rules, words.catalogue, words.when_none)  # type: ignore[arg-type]
    literals = literals_of(rules)
    rng = random.Random(SEED)
    kinds, seeds = sorted(words.catalogue), _seeds()
    seen: dict[str, Counter[str]] = defaultdict(Counter)
    for number in range(SHEETS):
        facts = tuple(
            _beside(rng, rng.choice(seeds), literals) if rng.random() < 0.5
            else random_fact(rng, rng.choice(kinds), words.catalogue, literals, unknown=0.2)
            for _ in range(rng.randint(0, MOST))
        )  # fmt: skip
        drawn_from = {kind: rng.choice(("recorded", "recorded", *UNKNOWN_STATES)) for kind in kinds}
        for decision in decider.decide(FactSheet(facts, drawn_from)):
            assert not decision.disputed, (number, decision.bound.rule.id)
            for _, outcome in decision.by_fact:
                seen[decision.bound.rule.id][outcome] += 1
    assert not any(count["error"] for count in seen.values())
    never = sorted(bound.rule.id for bound in rules if not seen[bound.rule.id]["finding"])
    assert not never, f"never seen firing: {never}"
