"""How facts are written for the engine: one function a kind and word, made once from the compiled conditions.

Only what a condition can look at is sent: the engine copies and hashes every
property. Which conditions those are follows from the conditions themselves
(``evaluator`` and ``flat`` are not asked): one that demands a word of an
attribute cannot hold for a fact with another.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from service.engine.source import function
from service.facts.model import DECLINED, MISSING, NOT_COLLECTED, RECORDED, Fact

Condition = dict[str, Any]
#: Type of an attribute and, for an enum, its words.
Typed = tuple[str, frozenset[str]]

#: Integers that every JSON reader and the engine's own agree on.
MAX_INT = 2**53
_STATES = (RECORDED, MISSING, DECLINED, NOT_COLLECTED)
_Writer = Callable[[Callable[[str], Any], Callable[[str, str], str]], str]


class Unfit(Exception):
    """A value is not of its attribute's type. The text is the attribute's name."""


@dataclass(frozen=True, slots=True)
class Wire:
    """The writers of one kind by the word of ``attribute``, and the one for any other word and for none."""

    attribute: str
    writers: Mapping[Any, _Writer]
    others: _Writer

    def write(self, fact: Fact) -> str:
        """The JSON members of a fact after its id. Raises Unfit."""
        values = fact.values
        return self.writers.get(values.get(self.attribute), self.others)(values.get, fact.states.get)


def wire(
    kind: str, conditions: Sequence[Condition], attributes: Mapping[str, Typed], states: Mapping[str, str], more: str
) -> Wire:
    """The wire of a kind.

    ``conditions`` are those of the kind; ``attributes`` what the catalogue has
    for it; ``states`` the names under which states are sent, to their
    attribute; ``more`` are members that every fact carries.
    """
    demands = [_demanded(condition, attributes) for condition in conditions]
    most = Counter(name for words in demands for name in words).most_common(1)
    attribute = most[0][0] if most else ""
    words = {demanded[attribute] for demanded in demands if attribute in demanded}
    head = f',"kind":"{kind}"{more}'

    def writer(word: str | None) -> _Writer:
        used = {attribute} if attribute else set()
        for condition, demanded in zip(conditions, demands, strict=True):
            if attribute not in demanded or demanded[attribute] == word:
                used |= set(_names(condition))
        plain = [(name, attributes[name]) for name in sorted(used) if name in attributes]
        asked = [(name, states[name]) for name in sorted(used) if name in states and name not in attributes]
        return function(_source(head, plain, asked), unfit=_unfit)

    return Wire(attribute, {word: writer(word) for word in sorted(words)}, writer(None))


def _demanded(condition: Condition, attributes: Mapping[str, Typed]) -> dict[str, str]:
    """Attribute -> word that a condition cannot hold without."""
    out = {}
    for term in condition["$and"]:
        for name, word in term.get("$eq", {}).items():
            if name in attributes and attributes[name][0] == "enum":
                out[name] = word
    return out


def _names(condition: Condition) -> Iterator[str]:
    """Every property that a condition looks at."""
    for operator, body in condition.items():
        if operator in ("$and", "$or"):
            for term in body:
                yield from _names(term)
        elif operator.startswith("$"):
            yield from body
        else:
            yield operator


# ---------------------------------------------------------------- as source


def _unfit(name: str) -> str:
    raise Unfit(name)


def _source(head: str, plain: Iterable[tuple[str, Typed]], asked: Iterable[tuple[str, str]]) -> str:
    tables: list[str] = []

    def table(name: str, words: Iterable[str]) -> str:
        tables.append(f"w{len(tables)} = { ({word: _member(name, word) for word in words})!r}.get")
        return f"w{len(tables) - 1}"

    lines = [f"    return ''.join(({head!r},"]
    for name, (type_, words) in plain:
        local, bad = f"(v := value({name!r}))", f"unfit({name!r})"
        if type_ == "int":
            # An exact type: a bool is no integer here.
            fits, sent = f"type({local}) is int and {-MAX_INT} <= v <= {MAX_INT}", f"{_member(name)!r} + str(v)"
        elif type_ == "bool":
            fits = f"{local} is True or v is False"
            sent = f"{_member(name, True)!r} if v else {_member(name, False)!r}"
        else:
            fits, sent = f"type({local}) is str", f"{table(name, sorted(words))}(v) or {bad}"
        lines.append(f"        ({sent}) if {fits} else '' if v is None else {bad},")
    for name, attribute in asked:
        state = f"{RECORDED!r} if value({attribute!r}) is not None else state({attribute!r}, {MISSING!r})"
        lines.append(f"        {table(name, _STATES)}({state}) or unfit({name!r}),")
    lines.append("        '}'))")
    return "\n".join([*tables, "def made(value, state):", *lines, ""])


def _member(name: str, value: object = None) -> str:
    """The text of a member, or its start."""
    return f',"{name}":' + ("" if value is None else json.dumps(value))
