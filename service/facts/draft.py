"""How a fact is put together: values, states and the places they come from."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Any

from service.episode import kinds
from service.episode.kinds import Absent, Moment, Node, member_label

from .model import STATE_ORDER, Evidence, Fact, Scalar

_NUM_SCALE = {"kg": 10, "L/min": 10, "s": 10, "mm[Hg]": 10, "Cel": 10, "mg/dL": 10, "": 100}


def epoch(time: Moment | Absent) -> int | None:
    """Whole epoch seconds of a charted time, None when it is not there."""
    return None if isinstance(time, Absent) else time.epoch


def scaled(value: float, unit: str) -> int:
    """A number of the record as the integer its attribute has, half up."""
    exact = round(value * _NUM_SCALE[unit], 6)
    return int(exact + 0.5)


def state_of(*inputs: Any) -> str:
    """The state of something derived from ``inputs``: the first of not_collected, missing, declined among them."""
    states = {value.state for value in inputs if isinstance(value, Absent)}
    for state in STATE_ORDER:
        if state in states:
            return state
    return "missing"


_LABELS: dict[type, str] = {}


def item_label(cls: type) -> str:
    """What an item is called: "limb check" for a LimbCheck."""
    if cls not in _LABELS:
        _LABELS[cls] = re.sub(r"(?<=.)([A-Z])", r" \1", cls.__name__).lower()
    return _LABELS[cls]


def place(node: Node, member: str | None = None, label: str | None = None) -> Evidence:
    """Where something stands. A member that is absent is named, and its object pointed at."""
    if member is None:
        return Evidence(node.at, label or item_label(type(node)), node.stable, node.by_id)
    stable = f"{node.stable}/{member}"
    text = label or member_label(member)
    if isinstance(getattr(node, member), Absent):
        return Evidence(node.at, text, stable, node.by_id, member=member)
    return Evidence(f"{node.at}/{member}", text, stable, node.by_id)


class Draft:
    """A fact in the making."""

    __slots__ = ("evidence", "key", "kind", "pointers", "span", "spans", "states", "values")

    def __init__(self, kind: str, key: str, pointers: Iterable[Evidence] = ()) -> None:
        self.kind, self.key = kind, key
        self.values: dict[str, Scalar] = {}
        self.states: dict[str, str] = {}
        self.pointers = tuple(pointers)
        self.evidence: dict[str, tuple[Evidence, ...]] = {}
        self.span: tuple[int, int] | None = None
        self.spans: dict[str, tuple[int, int]] = {}

    def put(self, name: str, value: Scalar | Absent | None, state: str = "missing") -> None:
        """Set an attribute; None or an Absent leaves it unknown with that state."""
        if value is None:
            self.states[name] = state
        elif isinstance(value, Absent):
            self.states[name] = value.state
        else:
            self.values[name] = value

    def unknown(self, names: Iterable[str], state: str) -> None:
        """Leave several attributes unknown."""
        for name in names:
            self.states[name] = state

    def members(self, node: Node, prefix: str = "") -> None:
        """Every member of an item as attributes, under the names the vocabulary gives them."""
        for member in kinds.members(type(node)):
            self.member(node, member, prefix)

    def member(self, node: Node, member: kinds.Member, prefix: str = "") -> None:
        """One member as attributes."""
        if member.name in kinds.NOT_ASKED:
            return
        value = getattr(node, member.name)
        name, spec = prefix + member.name, member.kind
        if isinstance(spec, kinds.Codes):
            if isinstance(value, Absent):
                self.states[name] = value.state
                for word in spec.words:
                    self.states[f"{name}_has_{word.replace('-', '_')}"] = value.state
            else:
                self.values[name] = len(value)
                for word in spec.words:
                    self.values[f"{name}_has_{word.replace('-', '_')}"] = word in value
        elif isinstance(value, Absent):
            self.states[name] = value.state
            if isinstance(spec, kinds.Part):
                self._absent_part(spec.of, f"{name}_", value.state)
        elif isinstance(spec, kinds.Num):
            self.values[name] = scaled(value, spec.unit)
        elif isinstance(spec, kinds.Items):
            self.values[name] = len(value)
        elif isinstance(spec, kinds.Part):
            self.values[name] = True
            self.members(value, f"{name}_")
        elif isinstance(spec, (kinds.Int, kinds.Flag, kinds.Code)):
            self.values[name] = value
        else:
            self.values[name] = True

    def _absent_part(self, cls: type, prefix: str, state: str) -> None:
        for member in kinds.members(cls):
            if member.name not in kinds.NOT_ASKED:
                self.states[prefix + member.name] = state

    def fact(self, shared_values: dict[str, Scalar], shared_states: dict[str, str]) -> Fact:
        """The finished fact, with what the rules of its kind need of the whole episode."""
        return Fact(
            self.kind,
            self.key,
            {**shared_values, **self.values},
            {**shared_states, **self.states},
            self.pointers,
            self.evidence,
            self.span,
            self.spans,
        )
