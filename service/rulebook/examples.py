"""A rule's own examples as facts: ``"12 min"`` becomes the integer 720 of an attribute in seconds."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from service.facts.fact import Fact

from .message import divisor_of
from .profiles import bind, scaled
from .rule import BoundRule, Rule
from .vocabulary import Attribute, Vocabulary

_WITH_UNIT = re.compile(r"(-?\d+(?:\.\d+)?) (\S+)")


@dataclass(frozen=True, slots=True)
class FactExample:
    """One example that gives a fact. ``bound``: the rule with the example's own parameters; ``default_numbers``: it has none."""

    name: str
    bound: BoundRule
    fact: Fact
    expect: str
    default_numbers: bool


def value_of(text: Any, attribute: Attribute, units: Mapping[str, tuple[str, int]]) -> int | bool | str:
    """A value of an example as the attribute has it: ``units`` as in ``Vocabulary``. Raises ValueError where it does not fit."""
    if attribute.type == "int":
        if type(text) is int:
            return text
        match = _WITH_UNIT.fullmatch(str(text))
        if match is None or match.group(2) not in units:
            raise ValueError(f"{attribute.name}: write a whole number or a number with a unit")
        unit, _ = units[match.group(2)]
        plain = attribute.unit.rsplit("/", 1)[0] if divisor_of(attribute.unit) in (10, 100) else attribute.unit
        if attribute.unit not in (unit, "reading") and plain != unit:
            raise ValueError(f"{attribute.name}: {attribute.unit} is not given in {match.group(2)}")
        return scaled(float(match.group(1)), match.group(2), units) * (
            divisor_of(attribute.unit)
            if plain == unit and attribute.unit != unit and attribute.unit != "reading"
            else 1
        )
    if attribute.type == "bool" and type(text) is bool:
        return text
    if attribute.type == "enum" and isinstance(text, str) and text in attribute.values:
        return text
    raise ValueError(f"{attribute.name}: not one of its values")


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
        fact = Fact(rule.about, "example", (), values, states)
        yield FactExample(entry["name"], bind(rule, vocabulary.units, chosen), fact, entry["expect"], not chosen)
