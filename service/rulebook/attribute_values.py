"""Numbers as people write them (``12 min``) as the whole numbers that attributes hold (720 s)."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from .message import divisor_of
from .vocabulary import Attribute

_WITH_UNIT = re.compile(r"(-?\d+(?:\.\d+)?) (\S+)")


def scaled(value: int | float, unit: str, units: Mapping[str, tuple[str, int]]) -> int:
    """A number in a parameter's unit as the integer of the attribute, half up. ``units`` as in ``Vocabulary``."""
    exact = value * units[unit][1]
    return int(exact + 0.5) if exact >= 0 else -int(-exact + 0.5)


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
