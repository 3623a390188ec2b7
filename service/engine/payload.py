"""How facts are written as JSON for the engine, by functions generated once from the compiled conditions.

Only what a condition can look at is sent: the engine copies and hashes every
property, which is most of its time. What that is follows from the conditions
alone, not from ``evaluator`` or ``generated``, so that a mistake there shows as
a disagreement. A condition that demands one word of an attribute cannot hold
for a fact with another word, so there is a function for each such word. And
where an attribute or a state is asked for by equality alone, a value that no
condition asks for makes no difference, and is not sent.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from service.facts.fact import DECLINED, MISSING, NOT_COLLECTED, RECORDED, Fact

from .source_code import function

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
class Payload:
    """The writers of one kind: by the word of ``attribute``, and ``others`` for any other word or none."""

    attribute: str
    writers: Mapping[Any, _Writer]
    others: _Writer

    def write(self, fact: Fact) -> str:
        """The JSON members of a fact after its id. Raises Unfit."""
        values = fact.values
        return self.writers.get(values.get(self.attribute), self.others)(values.get, fact.states.get)


def payload_of(
    kind: str, conditions: Sequence[Condition], attributes: Mapping[str, Typed], states: Mapping[str, str], more: str
) -> Payload:
    """The payload of a kind.

    ``conditions`` are those of the kind; ``attributes`` its attributes in the
    catalogue; ``states``: name under which a state is sent -> its attribute;
    ``more``: JSON members that every fact of the kind carries.
    """
    demands = [_demanded(condition, attributes) for condition in conditions]
    most = Counter(name for words in demands for name in words).most_common(1)
    attribute = most[0][0] if most else ""
    words = {demanded[attribute] for demanded in demands if attribute in demanded}
    head = f',"kind":"{kind}"{more}'

    def writer(word: str | None) -> _Writer:
        used: dict[str, set[Any]] = {attribute: set()} if attribute else {}
        for condition, demanded in zip(conditions, demands, strict=True):
            if attribute not in demanded or demanded[attribute] == word:
                for name, literal in _asked(condition):
                    used.setdefault(name, set()).add(literal)
        plain = [(name, attributes[name], used[name]) for name in sorted(used) if name in attributes]
        other = [(name, states[name], used[name]) for name in sorted(used) if name in states and name not in attributes]
        return function(_source(head, plain, other), unfit=_unfit)

    return Payload(attribute, {word: writer(word) for word in sorted(words)}, writer(None))


def _demanded(condition: Condition, attributes: Mapping[str, Typed]) -> dict[str, str]:
    """Attribute -> word that a condition cannot hold without."""
    out = {}
    for term in condition["$and"]:
        for name, word in term.get("$eq", {}).items():
            if name in attributes and attributes[name][0] == "enum":
                out[name] = word
    return out


_ANY = object()


def _asked(condition: Condition) -> Iterator[tuple[str, Any]]:
    """(property, literal that it must equal) of every property that a condition looks at; ``_ANY`` for other operators."""
    for operator, body in condition.items():
        if operator in ("$and", "$or"):
            for term in body:
                yield from _asked(term)
        elif operator == "$eq":
            yield from body.items()
        elif operator.startswith("$"):
            yield from ((name, _ANY) for name in body)


# ---------------------------------------------------------------- as source


def _unfit(name: str) -> str:
    raise Unfit(name)


def _source(
    head: str, plain: Iterable[tuple[str, Typed, set[Any]]], states: Iterable[tuple[str, str, set[Any]]]
) -> str:
    tables: list[str] = []

    def table(name: str, words: Iterable[str], asked: set[Any]) -> str:
        texts = {word: _member(name, word) if {word, _ANY} & asked else "" for word in words}
        tables.append(f"w{len(tables)} = {texts!r}.get")
        return f"w{len(tables) - 1}"

    lines = [f"    return ''.join(({head!r},"]
    for name, (type_, words), asked in plain:
        local, bad = f"(v := value({name!r}))", f"unfit({name!r})"
        if type_ == "int":
            # Not isinstance: a bool is not an integer to the engine.
            fits, sent = f"type({local}) is int and {-MAX_INT} <= v <= {MAX_INT}", f"{_member(name)!r} + str(v)"
        elif type_ == "bool":
            fits = f"{local} is True or v is False"
            texts = [_member(name, flag) if {flag, _ANY} & asked else "" for flag in (True, False)]
            sent = f"{texts[0]!r} if v else {texts[1]!r}"
        else:
            fits, sent = (
                f"type({local}) is str",
                f"t if (t := {table(name, sorted(words), asked)}(v)) is not None else {bad}",
            )
        lines.append(f"        ({sent}) if {fits} else '' if v is None else {bad},")
    for name, attribute, asked in states:
        state = f"{RECORDED!r} if value({attribute!r}) is not None else state({attribute!r}, {MISSING!r})"
        lines.append(f"        t if (t := {table(name, _STATES, asked)}({state})) is not None else unfit({name!r}),")
    lines.append("        '}'))")
    return "\n".join([*tables, "def made(value, state):", *lines, ""])


def _member(name: str, value: object = None) -> str:
    """The text of a JSON member, without a ``value`` its start."""
    return f',"{name}":' + ("" if value is None else json.dumps(value))
