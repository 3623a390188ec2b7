"""Rules and catalogues made up for the engine's tests: short hand for single rules, and seeded random rulebooks."""

from __future__ import annotations

import random
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from service.engine.compile import Catalogue
from service.engine.decide import Decider, WhenNone
from service.facts.fact import Fact
from service.rulebook.rule import STATE_OPS, BoundRule, Group, Leaf, Rule
from tests.engine.sheets import Literals, literals_of

WORDS = ("left", "right", "none_seen", "2026.1", "a-b", "mg/kg", "x:y", "p+q")
VALUE_OPS_FOR_INT = ("eq", "ne", "lt", "le", "gt", "ge")


@dataclass(frozen=True)
class Attribute:
    """An entry of a made-up catalogue."""

    type: str
    values: frozenset[str] = frozenset()


INT = Attribute("int")
BOOL = Attribute("bool")


def words(*values: str) -> Attribute:
    """A closed set of words."""
    return Attribute("enum", frozenset(values))


def group(written: Mapping[str, Sequence[Mapping[str, Any]]]) -> Group:
    """``{"all": [{"n": {"gt": 3}}, {"any": [...]}]}`` as a Group."""
    ((mode, terms),) = written.items()
    assert mode in ("all", "any")
    return Group("all" if mode == "all" else "any", tuple(_term(term) for term in terms))


def _term(written: Mapping[str, Any]) -> Leaf | Group:
    ((name, body),) = written.items()
    if name in ("all", "any"):
        return group(written)
    ((op, value),) = body.items()
    return Leaf(name, op, value)


def bound(number: int, kind: str, applies: Group, fails: Group) -> BoundRule:
    """A bound rule of which only id, kind and conditions matter."""
    rule = Rule(
        id=f"RR-{number:04d}",
        name=f"rule-{number}",
        phase="record",
        concern="record",
        category="completeness",
        handled_by="author",
        about=kind,
        due="closing",
        severity="warning",
        severity_allowed=("warning",),
        locked=False,
        revision=1,
        title="",
        parameters=(),
        applies_when=applies,
        fails_when=fails,
        worst_by=None,
        message="",
        message_many=None,
        remediation="",
        why="",
        tell_now=None,
        asked_because=None,
        yields_to=(),
        requires=(),
        answers=(),
        cascade=None,
        known_limits=(),
        sources=(),
        raw={},
    )
    return BoundRule(rule, "warning", "reviewer", applies, fails, {})


def fact(kind: str, values: Mapping[str, int | bool | str] | None = None, **states: str) -> Fact:
    """A fact without evidence; ``states`` by attribute name."""
    return Fact(kind, "", (), values or {}, states)


def random_catalogue(rng: random.Random, kinds: int) -> Catalogue:
    """``kinds`` kinds of 6 to 14 attributes; kinds share names, not always with one type."""
    return {f"kind_{number}": {f"a{place}": _random_attribute(rng) for place in range(rng.randint(6, 14))}
            for number in range(kinds)}  # fmt: skip


def _random_attribute(rng: random.Random) -> Attribute:
    kind = rng.choice(("int", "int", "bool", "enum"))
    return words(*rng.sample(WORDS, rng.randint(2, 4))) if kind == "enum" else Attribute(kind)


def random_rules(rng: random.Random, catalogue: Catalogue, count: int) -> list[BoundRule]:
    """``count`` rules over the kinds in turn, with every operator and two levels of groups."""
    kinds = sorted(catalogue)
    return [_random_rule(rng, number, kinds[number % len(kinds)], catalogue) for number in range(count)]


def _random_rule(rng: random.Random, number: int, kind: str, catalogue: Catalogue) -> BoundRule:
    def leaf() -> Leaf:
        name = rng.choice(sorted(catalogue[kind]))
        attribute = catalogue[kind][name]
        if rng.random() < 0.2:
            return Leaf(name, rng.choice(STATE_OPS), True)
        if attribute.type == "int":
            return Leaf(name, rng.choice(VALUE_OPS_FOR_INT), rng.choice((0, 1, -3, 15, 900, 2**40, -(2**53))))
        op = rng.choice(("eq", "ne"))
        return Leaf(name, op, rng.random() < 0.5 if attribute.type == "bool" else rng.choice(sorted(attribute.values)))

    def level(depth: int, most: int) -> Group:
        mode: Literal["all", "any"] = rng.choice(("all", "any"))
        terms = [leaf() if depth == 2 or rng.random() < 0.75 else level(2, 3) for _ in range(rng.randint(1, most))]
        return Group(mode, tuple(terms))

    applies = Group("all", ()) if rng.random() < 0.1 else level(1, 3)
    return bound(number, kind, applies, level(1, 3))


def random_when_none(rng: random.Random, catalogue: Catalogue) -> dict[str, WhenNone]:
    """An outcome for every kind without facts."""
    outcomes: tuple[WhenNone, ...] = ("clear", "not_applicable")
    return {kind: rng.choice(outcomes) for kind in catalogue}


def subject() -> tuple[Decider, Catalogue, Literals]:
    """A made-up rulebook of 100 rules over 15 kinds, for the sanitizer run and the timings."""
    rng = random.Random(20)
    catalogue = random_catalogue(rng, 15)
    rules = random_rules(rng, catalogue, 100)
    return Decider(rules, catalogue, random_when_none(rng, catalogue)), catalogue, literals_of(rules)
