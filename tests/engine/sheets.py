"""Seeded random fact sheets: on and beside every literal of the rules, with every state of an unknown value."""

from __future__ import annotations

import random
from collections.abc import Iterable, Mapping

from service.engine.compile import Catalogue
from service.facts.fact import DECLINED, MISSING, NOT_COLLECTED, RECORDED, Fact, FactSheet, Scalar
from service.rulebook.rule import BoundRule

#: kind -> attribute -> the integers that rules compare it with.
Literals = Mapping[str, Mapping[str, tuple[int, ...]]]

UNKNOWN_STATES = (MISSING, NOT_COLLECTED, DECLINED)


def literals_of(rules: Iterable[BoundRule]) -> Literals:
    """Every integer literal of the rules, by kind and attribute."""
    found: dict[str, dict[str, set[int]]] = {}
    for bound in rules:
        for leaf in (*bound.applies.leaves(), *bound.fails.leaves()):
            if type(leaf.value) is int:
                found.setdefault(bound.rule.about, {}).setdefault(leaf.attribute, set()).add(leaf.value)
    return {
        kind: {name: tuple(sorted(values)) for name, values in attributes.items()} for kind, attributes in found.items()
    }


def random_fact(rng: random.Random, kind: str, catalogue: Catalogue, literals: Literals, unknown: float = 0.2) -> Fact:
    """One fact; each attribute is unknown with the probability ``unknown``, in a random state or with none given."""
    values: dict[str, Scalar] = {}
    states: dict[str, str] = {}
    limits = literals.get(kind, {})
    for name, attribute in catalogue[kind].items():
        if rng.random() < unknown:
            if rng.random() < 0.9:
                states[name] = rng.choice(UNKNOWN_STATES)
        elif attribute.type == "bool":
            values[name] = rng.random() < 0.5
        elif attribute.type == "enum":
            values[name] = rng.choice(sorted(attribute.values))
        elif name in limits and rng.random() < 0.8:
            value = rng.choice(limits[name]) + rng.choice((-1, 0, 1))
            values[name] = max(-(2**53), min(2**53, value))
        else:
            values[name] = rng.randint(-5, 40) if rng.random() < 0.8 else rng.randint(-(2**53), 2**53)
    return Fact(kind, "", (), values, states)


def random_sheet(
    rng: random.Random, catalogue: Catalogue, literals: Literals, most: int = 40, unknown: float = 0.2
) -> FactSheet:
    """0 to ``most`` facts of random kinds, and a state for the list of (nearly) every kind."""
    kinds = sorted(catalogue)
    facts = tuple(
        random_fact(rng, rng.choice(kinds), catalogue, literals, unknown) for _ in range(rng.randint(0, most))
    )
    drawn_from = {kind: rng.choice((RECORDED, RECORDED, *UNKNOWN_STATES)) for kind in kinds if rng.random() < 0.95}
    return FactSheet(facts, drawn_from)
