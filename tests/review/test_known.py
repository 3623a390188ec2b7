"""Making an unknown attribute known never changes an outcome that was a finding, clear or not applicable.

Unknown is what the rule cannot tell. A leaf that asks about a state knows
``missing`` and ``declined``; for it only ``not_collected`` is unknown.
"""

from __future__ import annotations

import random

from msgspec.structs import replace

from service.engine.decide import Decider
from service.facts.fact import NOT_COLLECTED, Fact, FactSheet
from service.pipeline import bind_defaults
from service.rulebook.rule import STATE_OPS
from tests.engine.sheets import literals_of, random_fact
from tests.support.pipeline import pipeline

DECIDED = ("finding", "clear", "not_applicable")


def test_knowing_more_never_changes_what_was_decided() -> None:
    book = pipeline().rulebook
    words = book.vocabulary
    rules = bind_defaults(book)
    decider = Decider(rules, words.catalogue, words.when_none)  # type: ignore[arg-type]
    literals = literals_of(rules)
    asked_state: dict[str, set[str]] = {}
    for bound in rules:
        for leaf in (*bound.applies.leaves(), *bound.fails.leaves()):
            if leaf.op in STATE_OPS:
                asked_state.setdefault(bound.rule.about, set()).add(leaf.attribute)
    rng = random.Random(6)
    decided = opened = 0
    for _ in range(1500):
        kind = rng.choice(sorted(words.catalogue))
        facts = tuple(
            random_fact(rng, kind, words.catalogue, literals, unknown=rng.choice((0.2, 0.5, 0.8))) for _ in range(12)
        )
        more = tuple(_one_more(rng, fact, asked_state.get(kind, set())) for fact in facts)
        for before, after in zip(
            decider.decide(FactSheet(facts, {})), decider.decide(FactSheet(more, {})), strict=True
        ):
            for (index, was), (_, is_) in zip(before.by_fact, after.by_fact, strict=True):
                if was in DECIDED:
                    assert is_ == was, (before.bound.rule.id, facts[index], more[index])
                    decided += 1
                elif is_ in DECIDED:
                    opened += 1
    assert decided > 50_000
    assert opened > 500, "the change decides nothing: the test would prove nothing"


def _one_more(rng: random.Random, fact: Fact, asked: set[str]) -> Fact:
    """One unknown attribute made known, if there is one."""
    catalogue = pipeline().rulebook.vocabulary.catalogue[fact.kind]
    unknown = [
        name
        for name in catalogue
        if name not in fact.values and (name not in asked or fact.state(name) == NOT_COLLECTED)
    ]
    if not unknown:
        return fact
    name = rng.choice(unknown)
    known = random_fact(rng, fact.kind, {fact.kind: {name: catalogue[name]}}, {}, unknown=0.0)
    states = {other: state for other, state in fact.states.items() if other != name}
    return replace(fact, values={**fact.values, **known.values}, states=states)
