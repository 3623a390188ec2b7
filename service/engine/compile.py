"""Bound rules and the attribute catalogue, made into definitions that durable-rules decides rightly.

durable-rules 2.0.28 answers wrongly, or crashes, outside a narrow form: no
joins, no negation, no order of texts, no floats. The limits below are those of
its C source (``events.c``, ``rete.c``) with room to spare; what does not fit is
refused when the service starts, never at run time.

Only values that our code wrote reach the C code: integers, ``true`` and
``false``, and words of closed sets. An attribute that is not known is not
sent; its state is sent under the name ``<name>_state``.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from service.facts.fact import Fact
from service.rulebook.rule import STATE_OPS, VALUE_OPS, BoundRule, Group, Leaf

from .payload import MAX_INT, Condition, Payload, Unfit, payload_of

MAX_RULES = 1000
MAX_KINDS = 200
#: Engine: 255 properties an object, ``id``, ``sid``, ``kind`` and ``g_`` included.
MAX_PROPERTIES = 200
#: Engine: error 113 at 15 brackets in one condition.
MAX_GROUPS = 14
#: Engine: 64 nodes waiting for one fact (error 303 and the fact is lost). Each rule that shares an alternative waits, so
#: this is also less than the 128 alternatives ending in one node at which it stops the process.
MAX_STACK = 60
#: Engine: 512 children under one node (endless loop).
MAX_CHILDREN = 400
#: Engine: 256 rules on one condition (heap overflow).
MAX_SAME_CONDITION = 200
#: Peak of the stack (see ``_peak``) above which the rules of a kind are split into groups of at most GROUP_STACK each.
CROWDED = 56
GROUP_STACK = 24
GROUP = "g_"

_NAME = re.compile(r"[a-z][a-z0-9_]{0,63}\Z")
_WORD = re.compile(r"[A-Za-z0-9_.:/+-]{1,64}\Z")
_RESERVED = frozenset({"id", "sid", "kind", GROUP})
#: Names the engine gives to properties of its own.
_ENGINE_NAMES = frozenset({"$s", "$forward", "$time", "$timerName", "$baseTime"})
_RESERVED_KINDS = frozenset({"begin_", "end_"})
_OPS = {"eq": "$eq", "ne": "$neq", "lt": "$lt", "le": "$lte", "gt": "$gt", "ge": "$gte"}
_MAX_DEPTH = 2


class EngineError(Exception):
    """Rules or a fact that the engine must not be given. The text names kind, attribute or rule, never a value."""


class AttributeType(Protocol):
    """What the catalogue says of an attribute: ``type`` is int, bool or enum; ``values`` the words of an enum."""

    @property
    def type(self) -> str:
        """int, bool or enum."""
        ...

    @property
    def values(self) -> frozenset[str]:
        """The words of an enum, else none."""
        ...


Catalogue = Mapping[str, Mapping[str, AttributeType]]


@dataclass(frozen=True, slots=True)
class Definitions:
    """What the fence needs: the condition of each rule, by number, and for each kind how its facts are written."""

    conditions: tuple[Condition, ...]
    payloads: Mapping[str, Payload]

    def write(self, facts: Iterable[Fact]) -> list[str]:
        """The JSON members of each fact after its id, such as ``,"kind":"limb","device_on":true}``.

        Raises EngineError when a kind is not in the catalogue or a value is
        not of its attribute's type.
        """
        out: list[str] = []
        for fact in facts:
            payload = self.payloads.get(fact.kind)
            if payload is None:
                raise EngineError("a fact of a kind that is not in the catalogue")
            try:
                out.append(payload.write(fact))
            except Unfit as unfit:
                raise EngineError(f"{fact.kind}.{unfit}: the value is not of the attribute's type") from None
            except TypeError:  # an unhashable value in place of a word
                raise EngineError(f"{fact.kind}: a value is not of its attribute's type") from None
        return out


def compile_rules(rules: Sequence[BoundRule], catalogue: Catalogue) -> Definitions:
    """Compile ``applies`` and ``fails`` of every rule into one condition. A rule's number is its place in ``rules``.

    Raises EngineError on what the engine cannot do.
    """
    _check_catalogue(catalogue)
    _need(len(rules) <= MAX_RULES, "too many rules")
    _need(len({bound.rule.id for bound in rules}) == len(rules), "two rules with one id")
    conditions = [_condition(bound, catalogue) for bound in rules]
    crowded = _spread(rules, conditions)
    _need(_peak(conditions, check=True) <= MAX_STACK, "too many conditions can hold for one fact")
    return Definitions(tuple(conditions), _payloads(rules, conditions, catalogue, crowded))


def fnv1a_32(text: str) -> int:
    """The 32-bit FNV-1a hash of the UTF-8 text, by which the engine compares names and message ids.

    Source: Fowler, Noll and Vo, IETF draft-eastlake-fnv.
    """
    value = 0x811C9DC5
    for byte in text.encode():
        value = ((value ^ byte) * 0x01000193) & 0xFFFFFFFF
    return value


def hashes_differ(names: Iterable[str]) -> bool:
    """Whether no two different names share a hash (to the engine they would be one name)."""
    distinct = set(names)
    return len({fnv1a_32(name) for name in distinct}) == len(distinct)


def _need(ok: bool, text: str) -> None:
    if not ok:
        raise EngineError(text)


def _state_name(attribute: str) -> str:
    return f"{attribute}_state"


def _check_catalogue(catalogue: Catalogue) -> None:
    _need(len(catalogue) <= MAX_KINDS, "too many kinds")
    names = set(_RESERVED | _ENGINE_NAMES)
    for kind, attributes in catalogue.items():
        _need(_NAME.match(kind) is not None and kind not in _RESERVED_KINDS, f"{kind!r}: not a name for a kind")
        for name, attribute in attributes.items():
            where = f"{kind}.{name}"
            _need(_NAME.match(name) is not None and name not in _RESERVED, f"{where}: not a name for an attribute")
            _need(attribute.type in ("int", "bool", "enum"), f"{where}: unknown type")
            if attribute.type == "enum":
                _need(all(_WORD.match(word) for word in attribute.values), f"{where}: a word the engine cannot take")
            names |= {name, _state_name(name)}
    _need(hashes_differ(names), "two attribute names share a hash")


def _condition(bound: BoundRule, catalogue: Catalogue) -> Condition:
    kind, rule = bound.rule.about, bound.rule.id
    _need(kind in catalogue, f"{rule}: kind {kind!r} is not in the catalogue")
    terms: list[Condition] = []
    for group in (bound.applies, bound.fails):
        if group.mode == "any" or group.terms:  # an empty ``all`` holds for every fact
            terms.extend(_conjuncts(group, bound, catalogue, 1))
    # Plain terms come before brackets: rules share their nodes, and a bracket is looked at only where they hold.
    unique = {json.dumps(term): term for term in terms}.values()
    ordered = sorted(unique, key=lambda term: "$or" in term)
    condition: Condition = {"$and": [{"kind": kind}, *ordered]}
    _need(_groups(condition) <= MAX_GROUPS, f"{rule}: too many groups")
    return condition


def _conjuncts(group: Group, bound: BoundRule, catalogue: Catalogue, depth: int) -> list[Condition]:
    """The terms that must all hold: ``all`` is taken apart, a group of one term is that term."""
    rule = bound.rule.id
    _need(depth <= _MAX_DEPTH, f"{rule}: groups nested too deep")
    _need(bool(group.terms), f"{rule}: an empty group")
    parts = [
        _conjuncts(term, bound, catalogue, depth + 1) if isinstance(term, Group) else [_leaf(term, bound, catalogue)]
        for term in group.terms
    ]
    parts = list({json.dumps(part): part for part in parts}.values())  # the engine waits for each that is repeated
    if group.mode == "all" or len(parts) == 1:
        return [term for part in parts for term in part]
    return [{"$or": [part[0] if len(part) == 1 else {"$and": part} for part in parts]}]


def _leaf(leaf: Leaf, bound: BoundRule, catalogue: Catalogue) -> Condition:
    kind = bound.rule.about
    where = f"{bound.rule.id}: {kind}.{leaf.attribute}"
    attribute = catalogue[kind].get(leaf.attribute)
    if attribute is None:
        raise EngineError(f"{where} is not in the catalogue")
    _need(leaf.parameter is None, f"{where}: a parameter is not bound")
    if leaf.op in STATE_OPS:
        state = _state_name(leaf.attribute)
        _need(leaf.value is True, f"{where}: a state is asked for with true")
        _need(state not in catalogue[kind], f"{where}: {state} is an attribute of its own")
        return {"$eq": {state: leaf.op}}
    _need(leaf.op in VALUE_OPS, f"{where}: unknown operator")
    _need(leaf.op in ("eq", "ne") or attribute.type == "int", f"{where}: only integers have an order")
    _need(_fits(leaf.value, attribute), f"{where}: the literal is not of the attribute's type")
    return {_OPS[leaf.op]: {leaf.attribute: leaf.value}}


def _fits(value: object, attribute: AttributeType) -> bool:
    if attribute.type == "int":
        return type(value) is int and -MAX_INT <= value <= MAX_INT
    if attribute.type == "bool":
        return type(value) is bool
    return type(value) is str and value in attribute.values


def _groups(condition: Condition) -> int:
    ((operator, body),) = condition.items()
    return 1 + sum(_groups(term) for term in body) if operator in ("$and", "$or") else 0


def _spread(rules: Sequence[BoundRule], conditions: list[Condition]) -> set[str]:
    """Split the rules of crowded kinds into groups, each under a node of its own; the kinds that were split.

    Facts of such a kind carry ``g_`` 0, and the n-th group asks for ``g_``
    greater than -1 - n: always true, but another node for each group.
    """
    by_kind: dict[str, list[Condition]] = {}
    for bound, condition in zip(rules, conditions, strict=True):
        by_kind.setdefault(bound.rule.about, []).append(condition)
    crowded = {kind for kind, members in by_kind.items() if _peak(members) > CROWDED}
    for kind in crowded:
        groups: list[list[Condition]] = [[]]
        for condition in by_kind[kind]:
            if groups[-1] and _peak([*groups[-1], condition]) > GROUP_STACK:
                groups.append([])
            groups[-1].append(condition)
        for number, members in enumerate(groups):
            for condition in members:
                condition["$and"].insert(1, {"$gt": {GROUP: -1 - number}})
    return crowded


class _Node:
    """One node of the engine's network: what is needed to know how long its lists get."""

    __slots__ = ("children", "rules")

    def __init__(self) -> None:
        self.children: dict[tuple[str, str], _Node] = {}
        self.rules = 0

    def check(self) -> None:
        """Raise EngineError where a list of the engine would run over."""
        _need(len(self.children) <= MAX_CHILDREN, "too many different conditions in one place")
        _need(self.rules <= MAX_SAME_CONDITION, "too many rules with one condition")

    def peak(self, below: list[int]) -> int:
        """The most nodes that wait at once when one fact comes through here; ``below``: the same of each child."""
        if not below:
            return 1
        # Of several equalities on one property at most one holds; all else may hold together.
        exclusive = {property_ for property_, _ in self.children if property_}
        together = len(exclusive) + sum(1 for property_, _ in self.children if not property_)
        return max(together, together - 1 + max(below))


def _network(conditions: Iterable[Condition]) -> _Node:
    """The nodes that ``rete.c`` makes of the conditions.

    Equal terms under one parent are one node; an ``$or`` gets a node of its
    own under the end of each alternative.
    """
    root = _Node()
    serial = 0

    def add(parents: list[_Node], condition: Condition) -> list[_Node]:
        nonlocal serial
        ((operator, body),) = condition.items()
        if operator == "$and":
            for term in body:
                parents = add(parents, term)
            return parents
        if operator == "$or":
            serial += 1
            joined, number = _Node(), str(serial)
            for term in body:
                for end in add(parents, term):
                    end.children["", number] = joined
            return [joined]
        exclusive = next(iter(body)) if operator == "$eq" else operator if operator == "kind" else ""
        key = (exclusive, json.dumps(condition))
        return [parent.children.setdefault(key, _Node()) for parent in parents]

    for condition in conditions:
        for end in add([root], condition):
            end.rules += 1
    return root


def _peak(conditions: Iterable[Condition], check: bool = False) -> int:
    """The most nodes on the engine's stack for one fact, with room for the catch-all rule and the state fact.

    With ``check`` also raises EngineError where a list of the engine would run over.
    """
    known: dict[_Node, int] = {}  # the ends of alternatives lead to one node

    def walk(node: _Node) -> int:
        if node not in known:
            if check:
                node.check()
            known[node] = node.peak([walk(child) for child in node.children.values()])
        return known[node]

    return walk(_network(conditions)) + 2


def _payloads(
    rules: Sequence[BoundRule], conditions: Sequence[Condition], catalogue: Catalogue, crowded: set[str]
) -> dict[str, Payload]:
    by_kind: dict[str, list[Condition]] = {kind: [] for kind in catalogue}
    used: dict[str, set[tuple[bool, str]]] = {kind: set() for kind in catalogue}
    for bound, condition in zip(rules, conditions, strict=True):
        by_kind[bound.rule.about].append(condition)
        for leaf in (*bound.applies.leaves(), *bound.fails.leaves()):
            used[bound.rule.about].add((leaf.op in STATE_OPS, leaf.attribute))
    payloads = {}
    for kind, attributes in catalogue.items():
        _need(len(used[kind]) <= MAX_PROPERTIES, f"{kind}: too many attributes in use")
        typed = {name: (attribute.type, frozenset(attribute.values)) for name, attribute in attributes.items()}
        states = {_state_name(name): name for name in attributes}
        payloads[kind] = payload_of(kind, by_kind[kind], typed, states, f',"{GROUP}":0' if kind in crowded else "")
    return payloads
