"""Facts of which only some attributes are asked for, held against facts with all of them."""

from __future__ import annotations

import random
from typing import Any

import pytest

from service.batch import definitions
from service.episode.record import Episode
from service.facts.builder import Asked
from service.facts.fact import Fact
from service.facts.sheet import build
from service.pipeline import asked_for
from tests.corpora.defects import several
from tests.support.episodes import full, narrative_reader, read
from tests.support.pipeline import demo, demo_names, pipeline

CATALOGUE = {kind: sorted(attributes) for kind, attributes in pipeline().rulebook.vocabulary.catalogue.items()}
EPISODES: list[Episode] = [
    read(document).episode
    for document in (full(), *map(demo, demo_names()), *(each.faulty for each in several(30, "asked")))
]


def said(fact: Fact, names: list[str]) -> Any:
    """Everything that rules, messages and findings take from a fact."""
    return (
        (fact.kind, fact.key, fact.pointers, fact.span),
        [
            (name, fact.values.get(name), fact.state(name), fact.evidence.get(name, ()), fact.spans.get(name))
            for name in names
        ],
    )


@pytest.mark.parametrize("seed", range(6))
def test_what_is_asked_for_is_as_if_everything_were(seed: int) -> None:
    rng = random.Random(seed)
    compared = 0
    for episode in EPISODES:
        # Few of a kind, many of it, or none: an attribute must not need another to be asked for.
        names = {
            kind: sorted(rng.sample(known, min(len(known), rng.choice((0, 1, 3, 30)))))
            for kind, known in CATALOGUE.items()
        }
        some, every = build(episode, narrative_reader(), Asked(names)), build(episode, narrative_reader())
        assert (len(some.facts), some.drawn_from, some.closed) == (len(every.facts), every.drawn_from, every.closed)
        for one, other in zip(some.facts, every.facts, strict=True):
            assert said(one, names[one.kind]) == said(other, names[other.kind])
            compared += len(names[one.kind])
    assert compared > 5_000


def test_measures_take_nothing_from_facts_that_a_rule_must_ask_for() -> None:
    """An agency's own rulebook may hold any rules, and the times are measured all the same."""
    seen = set()
    for episode in EPISODES:
        none, every = build(episode, narrative_reader(), Asked({})), build(episode, narrative_reader())
        for time in definitions.TIMES:
            assert time.ask(episode, none) == time.ask(episode, every), time.id
            seen |= {time.id} if isinstance(time.ask(episode, every), int) else set()
    assert seen == {time.id for time in definitions.TIMES}


def test_all_that_rules_look_at_is_asked_for() -> None:
    book = pipeline().rulebook
    asked = asked_for(book)
    for rule in book.rules:
        leaves = [leaf.attribute for group in (rule.applies_when, rule.fails_when) for leaf in group.leaves()]
        assert {*leaves, *book.texts[rule.id].attributes} <= asked.of(rule.about), rule.id
    idle = {kind: set(known) - asked.of(kind) for kind, known in CATALOGUE.items()}
    assert all(idle.values()), "nothing is left out: the tests above would prove nothing of the shipped rules"
