"""Texts of rules: fixed words with attributes and parameters filled in, never anybody's words.

A text may also name ``{at}``, when it was, and ``{allowed_by}``, a sentence with
the protocols that allow what is told, or nothing. ``{glucose mg/dL}`` is a number with
its unit, or what 0 stands for in that unit. One that tells several facts in a
sentence may name ``{n}``, how many, and ``{each_limb}``, the values of an
attribute over all of them.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from service.wording.words import listed, number, word

from .rule import Leaf, Parameter, Scalar
from .vocabulary import Attribute, Vocabulary

_PLACE = re.compile(r"\{([a-z0-9_]+)(?: ([^{}]+))?\}")
#: Unit -> what 0 is charted for: a meter that shows a word and no number.
_ZERO = {"mg/dL": "Low on the meter"}
_EACH = "each_"
_AT, _COUNT, _ALLOWED = "at", "n", "allowed_by"

Values = Mapping[str, Scalar]


def divisor_of(unit: str) -> int:
    """By what an attribute in this unit is divided for people: seconds to minutes, tenths and hundredths to wholes."""
    if unit == "s":
        return 60
    tail = unit.rsplit("/", 1)[-1]
    return int(tail) if tail in ("10", "100") else 1


@dataclass(frozen=True, slots=True)
class Allowance:
    """Protocols (``by``) that allow a fact with these ``words`` whose ``number`` is at most, or at least, ``limit``."""

    words: Mapping[str, str]
    number: str
    at_most: bool
    limit: int
    by: tuple[str, ...]

    def holds(self, values: Values) -> bool:
        """Whether it is about the fact with these attributes."""
        value = values.get(self.number)
        if value is None or any(values.get(name) != said for name, said in self.words.items()):
            return False
        return int(value) <= self.limit if self.at_most else int(value) >= self.limit


@dataclass(frozen=True, slots=True)
class Message:
    """A compiled text. ``attributes``: the attributes that it names."""

    text: str
    attributes: tuple[str, ...]
    _formats: Mapping[str, Callable[[Scalar], str]]
    _pieces: tuple[str, ...]
    _allowances: tuple[Allowance, ...] = ()

    def render(
        self, values: Values, parameters: Mapping[str, int | float], at: str = "", every: Sequence[Values] = ()
    ) -> str:
        """The text about the fact with these attributes (``values``); one that is not known reads "not charted".

        ``at``: when it was, as people write it. ``every``: the attributes of all facts that a text for several tells.
        """
        out = list(self._pieces)
        for place in range(1, len(out), 3):  # every third piece is the name of a placeholder, and its unit follows
            name, unit = out[place], out[place + 1]
            out[place + 1] = f" {unit}" if unit else ""
            if unit in _ZERO and values.get(name) == 0:
                out[place], out[place + 1] = _ZERO[unit], ""
            elif name in parameters:
                out[place] = number(parameters[name])
            elif name == _AT:
                out[place] = f"at {at}" if at else "at a time that is not charted"
            elif name == _ALLOWED:
                by = [protocol for one in self._allowances if one.holds(values) for protocol in one.by]
                out[place] = f" Protocols read that allow it: {'; '.join(by)}." if by else ""
            elif name == _COUNT:
                out[place] = str(len(every))
            elif name.startswith(_EACH) and name not in self._formats:
                of = name.removeprefix(_EACH)
                out[place] = listed(dict.fromkeys(self._said(of, one) for one in every))
            else:
                out[place] = self._said(name, values)
        text = "".join(out)
        return text[:1].upper() + text[1:]

    def _said(self, name: str, values: Values) -> str:
        return self._formats[name](values[name]) if name in values else "not charted"


def _scaled(divisor: int) -> Callable[[Scalar], str]:
    return lambda value: number(int(value) / divisor)


def placeholders(text: str) -> tuple[str, ...]:
    """The names in braces, in order."""
    return tuple(name for name, _ in _PLACE.findall(text))


def with_names(text: str, name_of: Callable[[str], str]) -> str:
    """The text for a reader of the rule: in brackets, what each placeholder stands for, and its unit."""
    return _PLACE.sub(lambda found: f"[{' '.join(filter(None, (name_of(found[1]), found[2])))}]", text)


def compile_message(
    text: str,
    attributes: Mapping[str, Attribute],
    parameters: tuple[Parameter, ...],
    leaves: tuple[Leaf, ...],
    vocabulary: Vocabulary,
    *,
    several: bool = False,
    allowances: tuple[Allowance, ...] = (),
) -> Message:
    """Check the placeholders and prepare how each is written. Raises KeyError with the unknown name.

    ``several``: the text tells all facts of a finding. An attribute in the unit ``reading`` has the scale of the
    parameter that it is compared with.
    """
    by_name = {p.name: p for p in parameters}
    reading = 1
    for leaf in leaves:
        if leaf.parameter and attributes[leaf.attribute].unit == "reading":
            reading = vocabulary.units[by_name[leaf.parameter].unit][1]
    formats: dict[str, Callable[[Scalar], str]] = {}
    for name in placeholders(text):
        if name in by_name or name in (_AT, _ALLOWED) or (several and name == _COUNT):
            continue
        of = name.removeprefix(_EACH) if several and name not in attributes else name
        attribute = attributes[of]
        if attribute.type == "int":
            divisor = reading if attribute.unit == "reading" else divisor_of(attribute.unit)
            formats[of] = _scaled(divisor)
        elif attribute.type == "bool":
            formats[of] = lambda value: "yes" if value else "no"
        else:
            formats[of] = lambda value: word(str(value))
    asked = {name for one in allowances for name in (*one.words, one.number)} - set(formats)
    return Message(text, (*formats, *sorted(asked)), formats, tuple(_PLACE.split(text)), allowances)
