"""The same rules on the same facts in other engines: which rules find something in which facts.

Every engine answers the same question, ``applies and fails`` is true, as a
set of (rule number, fact index). The others get every fact as a plain dict of
the attributes that rules of its kind ask for, made beforehand; what is not
known is not in it, and a state is a word under ``<name>_state``. That is more
than fair to them: our own two read facts as they are, and the evaluator also
tells clear from not applicable from not assessable.

zen-engine: expressions of the GoRules language. json-logic-qubit: JsonLogic.
Python: conditions written out as one function a kind, as by hand.
"""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from service.facts.fact import Fact
from service.rulebook.rule import STATE_OPS, BoundRule, Group, Leaf

Fired = set[tuple[int, int]]
#: (index of the fact, kind, attributes)
Flat = list[tuple[int, str, dict[str, Any]]]
Engine = Callable[[Flat], Fired]
_OPS = {"eq": "==", "ne": "!=", "lt": "<", "le": "<=", "gt": ">", "ge": ">="}


def _leaves(bound: BoundRule) -> tuple[Leaf, ...]:
    return bound.applies.leaves() + bound.fails.leaves()


def _by_kind(rules: Sequence[BoundRule]) -> Mapping[str, list[tuple[int, BoundRule]]]:
    found: dict[str, list[tuple[int, BoundRule]]] = defaultdict(list)
    for number, bound in enumerate(rules):
        found[bound.rule.about].append((number, bound))
    return found


class Flattener:
    """Facts as plain dicts with what the rules of their kinds ask for."""

    def __init__(self, rules: Sequence[BoundRule]) -> None:
        self._values: dict[str, set[str]] = defaultdict(set)
        self._states: dict[str, set[str]] = defaultdict(set)
        for bound in rules:
            for leaf in _leaves(bound):
                (self._states if leaf.op in STATE_OPS else self._values)[bound.rule.about].add(leaf.attribute)

    def __call__(self, facts: Sequence[Fact]) -> Flat:
        """In the order of the sheet."""
        return [(index, fact.kind, self._one(fact)) for index, fact in enumerate(facts)]

    def _one(self, fact: Fact) -> dict[str, Any]:
        out: dict[str, Any] = {name: fact.values[name] for name in self._values[fact.kind] if name in fact.values}
        return out | {f"{name}_state": fact.state(name) for name in self._states[fact.kind]}


def written(term: Group | Leaf, leaf: Callable[[str, str, Any], str]) -> str:
    """A term as an expression. ``leaf`` writes one comparison: (name, operator, value)."""
    if isinstance(term, Leaf):
        if term.op in STATE_OPS:
            return leaf(f"{term.attribute}_state", "eq", term.op)
        return leaf(term.attribute, term.op, term.value)
    if not term.terms:
        return "True" if term.mode == "all" else "False"
    joined = f" {'and' if term.mode == 'all' else 'or'} ".join(written(each, leaf) for each in term.terms)
    return f"({joined})"


# ---------------------------------------------------------------- written out in Python


def python_ifs(rules: Sequence[BoundRule]) -> Engine:
    """One function a kind: every attribute looked up once, then one ``if`` a rule."""
    source = []
    for kind, listed in _by_kind(rules).items():
        places: dict[str, str] = {}

        def leaf(name: str, op: str, value: Any, places: dict[str, str] = places) -> str:
            local = places.setdefault(name, f"a{len(places)}")
            if op == "eq":
                return f"{local} is {value!r}" if isinstance(value, bool) else f"{local} == {value!r}"
            return f"({local} is not None and {local} {_OPS[op]} {value!r})"

        ifs = [
            f"    if {written(bound.applies, leaf)} and {written(bound.fails, leaf)}: add(({number}, index))"
            for number, bound in listed
        ]
        lookups = [f"    {local} = get({name!r})" for name, local in places.items()]
        source += [f"def {kind}(index, get, add):", *lookups, *ifs]
    space: dict[str, Any] = {}
    exec("\n".join(source), space)  # noqa: S102 - the text was made here, from the rulebook

    def run(flat: Flat) -> Fired:
        fired: Fired = set()
        for index, kind, values in flat:
            if kind in space:
                space[kind](index, values.get, fired.add)
        return fired

    return run


# ---------------------------------------------------------------- zen-engine


def zen_leaf(name: str, op: str, value: Any) -> str:
    """One comparison in the language of zen-engine."""
    asked = f"{name} {_OPS[op]} {json.dumps(value)}"
    return asked if op == "eq" else f"({name} != null and {asked})"  # order with null is an error there


def _zen(bound: BoundRule) -> str:
    text = f"{written(bound.applies, zen_leaf)} and {written(bound.fails, zen_leaf)}"
    return text.replace("True", "true").replace("False", "false")


def zen_kinds(rules: Sequence[BoundRule]) -> Engine:
    """One expression a kind of fact, which gives a list of true and false: its best form."""
    import zen

    compiled = {
        kind: (
            [n for n, _ in listed],
            zen.compile_expression("[" + ", ".join(_zen(bound) for _, bound in listed) + "]"),
        )
        for kind, listed in _by_kind(rules).items()
    }

    def run(flat: Flat) -> Fired:
        fired: Fired = set()
        for index, kind, values in flat:
            if kind in compiled:
                numbers, expression = compiled[kind]
                fired.update(
                    [(n, index) for n, holds in zip(numbers, expression.evaluate(values), strict=True) if holds]
                )
        return fired

    return run


def zen_rules(rules: Sequence[BoundRule]) -> Engine:
    """One expression a rule."""
    import zen

    compiled = {
        kind: [(n, zen.compile_expression(_zen(bound))) for n, bound in listed]
        for kind, listed in _by_kind(rules).items()
    }

    def run(flat: Flat) -> Fired:
        return {
            (n, index) for index, kind, values in flat for n, each in compiled.get(kind, ()) if each.evaluate(values)
        }

    return run


# ---------------------------------------------------------------- JsonLogic


def _json_logic(term: Group | Leaf) -> Any:
    if isinstance(term, Group):
        return (
            {"and" if term.mode == "all" else "or": [_json_logic(each) for each in term.terms]}
            if term.terms
            else term.mode == "all"
        )
    if term.op in STATE_OPS:
        return {"===": [{"var": f"{term.attribute}_state"}, term.op]}
    name = {"var": term.attribute}
    if term.op == "eq":
        return {"===": [name, term.value]}
    if term.op == "ne":
        return {"and": [{"!==": [name, None]}, {"!==": [name, term.value]}]}
    return {_OPS[term.op]: [name, term.value]}


def json_logic(rules: Sequence[BoundRule]) -> Engine:
    """One rule a rule."""
    import json_logic as library  # type: ignore[import-untyped,unused-ignore]

    made = {
        kind: [(n, {"and": [_json_logic(bound.applies), _json_logic(bound.fails)]}) for n, bound in listed]
        for kind, listed in _by_kind(rules).items()
    }

    def run(flat: Flat) -> Fired:
        return {
            (n, index)
            for index, kind, values in flat
            for n, each in made.get(kind, ())
            if library.jsonLogic(each, values)
        }

    return run


#: name in the table -> (module it needs, how it is built)
OTHERS: dict[str, tuple[str, Callable[[Sequence[BoundRule]], Engine]]] = {
    "Python ifs, generated": ("json", python_ifs),
    "zen-engine, one expression a kind": ("zen", zen_kinds),
    "zen-engine, one expression a rule": ("zen", zen_rules),
    "JsonLogic (json-logic-qubit)": ("json_logic", json_logic),
}
