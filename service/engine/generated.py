"""The rules of one kind of fact as one generated Python function: a fact in, what every rule says of it out.

The closures of ``evaluator`` are what a rule means, and calling them was most
of an evaluation's time. So the same rules are written out as Python source
once, when the rulebook is loaded. The closures still explain findings, and
decide again where anything is odd. A test holds the two forms against each
other, and every review holds the engine against this one.

What a rule says of a fact is a number, the graver the higher: not applicable,
``CLEAR_``, ``OPEN`` (not assessable), ``FOUND``. A rule's outcome is the
highest that any of its facts has.

Most rules of a kind ask first for one word of one attribute (which event,
which section), so a fact is shown only to the rules that its word does not
rule out. ``payload`` works that out for the engine on its own, so that a
mistake in one of the two cannot hide from the other.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from service.facts.fact import MISSING, NOT_COLLECTED, RECORDED, Fact
from service.rulebook.rule import STATE_OPS, BoundRule, Group, Leaf

from .compile import Catalogue
from .evaluator import CLEAR, FINDING, NOT_APPLICABLE, NOT_ASSESSABLE
from .source_code import function

CLEAR_, OPEN, FOUND = 1, 2, 3
#: Number -> outcome.
OUTCOMES = (NOT_APPLICABLE, CLEAR, NOT_ASSESSABLE, FINDING)

_Says = Callable[[Callable[[str], Any], Callable[[str, str], str]], tuple[int, ...]]

_SIGNS = {"eq": "==", "ne": "!=", "lt": "<", "le": "<=", "gt": ">", "ge": ">="}
_OPPOSITE = {"eq": "!=", "ne": "==", "lt": ">=", "le": ">", "gt": "<=", "ge": "<"}


@dataclass(frozen=True, slots=True)
class Part:
    """Some rules of a kind by number, in order, and the function that gives what each of them says of a fact.

    ``places``: number of a rule -> its place in both.
    """

    rules: tuple[int, ...]
    says: _Says
    places: Mapping[int, int]


@dataclass(frozen=True, slots=True)
class Kind:
    """The rules of one kind. ``parts``: word of ``attribute`` -> the rules for facts with it; ``others``: the rules for
    facts with another word; ``whole``: all rules, for facts of which the word is not known."""

    attribute: str
    parts: Mapping[Any, Part]
    others: Part
    whole: Part

    def ask(self, fact: Fact) -> tuple[Part, tuple[int, ...]]:
        """The rules that may apply to a fact, and what each says of it; no other rule of the kind applies."""
        value = fact.values.get
        word = value(self.attribute)
        part = self.whole if word is None else self.parts.get(word, self.others)
        return part, part.says(value, fact.states.get)


def compile_kinds(rules: Sequence[BoundRule], catalogue: Catalogue) -> dict[str, Kind]:
    """Kind of fact -> its rules, written as source and compiled. A rule's number is its place in ``rules``."""
    by_kind: dict[str, list[int]] = {}
    for number, bound in enumerate(rules):
        by_kind.setdefault(bound.rule.about, []).append(number)
    out = {}
    for kind, numbers in by_kind.items():
        asked = {number: _words(rules[number], catalogue) for number in numbers}
        most = Counter(name for words in asked.values() for name in words).most_common(1)
        attribute = most[0][0] if most else ""
        words = {asked[number][attribute] for number in numbers if attribute in asked[number]}
        free = [number for number in numbers if attribute not in asked[number]]

        def part(chosen: Iterable[int]) -> Part:
            numbers = tuple(sorted(chosen))
            says = function(_source([rules[number] for number in numbers]))
            return Part(numbers, says, {number: place for place, number in enumerate(numbers)})

        parts = {w: part([*free, *(n for n in numbers if asked[n].get(attribute) == w)]) for w in sorted(words)}
        out[kind] = Kind(attribute, parts, part(free), part(numbers))
    return out


def _words(bound: BoundRule, catalogue: Catalogue) -> dict[str, str]:
    """Attribute -> word without which a rule does not apply.

    One false term makes ``all`` false, whatever else is unknown (Kleene).
    """
    terms = bound.applies.terms if bound.applies.mode == "all" else ()
    return {
        term.attribute: str(term.value)
        for term in terms
        if isinstance(term, Leaf) and term.op == "eq" and catalogue[bound.rule.about][term.attribute].type == "enum"
    }


# ---------------------------------------------------------------- as source


def _source(rules: Sequence[BoundRule]) -> str:
    names: dict[str, str] = {}
    states: dict[str, str] = {}
    lines = [_rule(bound, names, states) for bound in rules]
    known = [f"    {local} = value({name!r})" for name, local in names.items()]
    known += [
        f"    {local} = {RECORDED!r} if {names[name]} is not None else state({name!r}, {MISSING!r})"
        for name, local in states.items()
    ]
    return "\n".join(["def made(value, state):", *known, "    return (", *lines, "    )", ""])


def _rule(bound: BoundRule, names: dict[str, str], states: dict[str, str]) -> str:
    """One rule as an expression. ``names`` and ``states``: attribute -> local variable, filled here."""
    applies, fails = _truth(bound.applies, names, states), _truth(bound.fails, names, states)
    decided = f"({FOUND} if {fails[0]} else {CLEAR_} if {fails[1]} else {OPEN})"
    return f"        0 if {applies[1]} else {decided} if {applies[2]} else {OPEN},"


def _truth(term: Group | Leaf, names: dict[str, str], states: dict[str, str]) -> tuple[str, str, str]:
    """Three expressions for a term: whether it is true; whether it is false; whether it is true if it is not false."""
    if isinstance(term, Leaf):
        local = names.setdefault(term.attribute, f"v{len(names)}")
        if term.op in STATE_OPS:
            state = states.setdefault(term.attribute, f"s{len(states)}")
            not_false = f"{state} != {NOT_COLLECTED!r}"
            return f"{state} == {term.op!r}", f"({state} != {term.op!r} and {not_false})", not_false
        known, limit = f"{local} is not None", repr(term.value)
        true = f"{local} == {limit}" if term.op == "eq" else f"({known} and {local} {_SIGNS[term.op]} {limit})"
        false = f"{local} == {limit}" if term.op == "ne" else f"({known} and {local} {_OPPOSITE[term.op]} {limit})"
        return true, false, known
    parts = [_truth(each, names, states) for each in term.terms]
    every, some = ("True", "False") if term.mode == "all" else ("False", "True")
    if not parts:
        return every, some, every
    true = _joined(" and " if term.mode == "all" else " or ", [part[0] for part in parts])
    false = _joined(" or " if term.mode == "all" else " and ", [part[1] for part in parts])
    return true, false, _joined(" and ", [part[2] for part in parts]) if term.mode == "all" else true


def _joined(word: str, parts: Sequence[str]) -> str:
    return parts[0] if len(parts) == 1 else f"({word.join(parts)})"
