"""Messages of rules: fixed text with attributes and parameters filled in, never anybody's words."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from service.wording.words import number, word

from .rule import Leaf, Parameter, Scalar
from .vocabulary import Attribute, Vocabulary

_PLACE = re.compile(r"\{([a-z0-9_]+)\}")


def divisor_of(unit: str) -> int:
    """By what an attribute in this unit is divided for people: seconds to minutes, tenths and hundredths to wholes."""
    if unit == "s":
        return 60
    tail = unit.rsplit("/", 1)[-1]
    return int(tail) if tail in ("10", "100") else 1


@dataclass(frozen=True, slots=True)
class Message:
    """A compiled message. ``attributes``: the attributes that it names."""

    text: str
    attributes: tuple[str, ...]
    _formats: Mapping[str, Callable[[Scalar], str]]
    _pieces: tuple[str, ...]

    def render(self, values: Mapping[str, Scalar], parameters: Mapping[str, int | float]) -> str:
        """The text with ``parameters`` and the known attributes (``values``) filled in; any other reads "not charted"."""
        out = list(self._pieces)
        for place in range(1, len(out), 2):  # every second piece is the name of a placeholder
            name = out[place]
            if name in parameters:
                out[place] = number(parameters[name])
            elif name in values:
                out[place] = self._formats[name](values[name])
            else:
                out[place] = "not charted"
        text = "".join(out)
        return text[:1].upper() + text[1:]


def _scaled(divisor: int) -> Callable[[Scalar], str]:
    return lambda value: number(int(value) / divisor)


def placeholders(text: str) -> tuple[str, ...]:
    """The names in braces, in order."""
    return tuple(_PLACE.findall(text))


def compile_message(
    text: str,
    attributes: Mapping[str, Attribute],
    parameters: tuple[Parameter, ...],
    leaves: tuple[Leaf, ...],
    vocabulary: Vocabulary,
) -> Message:
    """Check the placeholders and prepare how each is written. Raises KeyError with the unknown name.

    An attribute in the unit ``reading`` has the scale of the parameter that it is compared with.
    """
    by_name = {p.name: p for p in parameters}
    reading = 1
    for leaf in leaves:
        if leaf.parameter and attributes[leaf.attribute].unit == "reading":
            reading = vocabulary.units[by_name[leaf.parameter].unit][1]
    formats: dict[str, Callable[[Scalar], str]] = {}
    used = []
    for name in placeholders(text):
        if name in by_name:
            continue
        attribute = attributes[name]
        used.append(name)
        if attribute.type == "int":
            divisor = reading if attribute.unit == "reading" else divisor_of(attribute.unit)
            formats[name] = _scaled(divisor)
        elif attribute.type == "bool":
            formats[name] = lambda value: "yes" if value else "no"
        else:
            formats[name] = lambda value: word(str(value))
    return Message(text, tuple(used), formats, tuple(_PLACE.split(text)))
