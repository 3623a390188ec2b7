"""A rule's own examples as facts: ``"12 min"`` becomes the integer 720 of an attribute in seconds."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from service.facts.fact import Fact

from .attribute_values import value_of
from .profiles import bind
from .rule import BoundRule, Rule
from .vocabulary import Vocabulary


@dataclass(frozen=True, slots=True)
class FactExample:
    """One example that gives a fact. ``bound``: the rule with the example's own parameters; ``default_numbers``: it has none."""

    name: str
    bound: BoundRule
    fact: Fact
    expect: str
    default_numbers: bool


def fact_examples(rule: Rule, vocabulary: Vocabulary) -> Iterator[FactExample]:
    """Every example with ``facts``. Raises ValueError that names what is wrong."""
    attributes = vocabulary.kinds[rule.about].attributes
    for entry in rule.raw["examples"]:  # type: ignore[attr-defined]
        if "facts" not in entry:
            continue
        values, states = {}, {}
        for name, text in entry["facts"].items():
            if name not in attributes:
                raise ValueError(f"{entry['name']}: unknown attribute {name}")
            values[name] = value_of(text, attributes[name], vocabulary.units)
        for name, state in entry.get("states", {}).items():
            if name not in attributes or name in values or state not in ("missing", "not_collected", "declined"):
                raise ValueError(f"{entry['name']}: state of {name}")
            states[name] = state
        chosen = entry.get("parameters", {})
        known = {p.name: p for p in rule.parameters}
        for name, number in chosen.items():
            if name not in known or not known[name].low <= number <= known[name].high:
                raise ValueError(f"{entry['name']}: parameter {name} is unknown or outside its range")
        numbers = {f"{rule.id}.{name}": number for name, number in chosen.items()}
        fact = Fact(rule.about, "example", (), values, states)
        yield FactExample(entry["name"], bind(rule, vocabulary.units, numbers), fact, entry["expect"], not chosen)
