"""How a fact is put together: values, states and the places they come from."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from service.episode import kinds
from service.episode.kinds import Absent, Node

from .model import STATE_ORDER, Evidence, Fact, Scalar

_NUM_SCALE = {"kg": 10, "L/min": 10, "s": 10, "mm[Hg]": 10, "Cel": 10, "mg/dL": 10, "": 100}


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


#: What is wanted of the attributes of one kind; None: all of them.
Wanted = frozenset[str] | None


class Asked:
    """The attributes that rules can ask for, by kind of fact."""

    def __init__(self, by_kind: Mapping[str, Iterable[str]]) -> None:
        self._of = {kind: frozenset(names) for kind, names in by_kind.items()}
        self._shared = {
            kind: tuple(sorted(n for n in names if n.startswith("ep_"))) for kind, names in self._of.items()
        }

    def of(self, kind: str) -> frozenset[str]:
        """All of a kind."""
        return self._of.get(kind, frozenset())

    def shared(self, kind: str) -> tuple[str, ...]:
        """Those of a kind that say something about the whole episode."""
        return self._shared.get(kind, ())


_Step = tuple[str, str, str, str | dict[str, str] | tuple[str, ...]]
_PLANS: dict[tuple[type, str, Wanted], list[_Step]] = {}


def _plan(cls: type, prefix: str, wanted: Wanted) -> list[_Step]:
    """For every member of a class from which something wanted is made: (member, attribute, how, what that needs)."""
    known = _PLANS.get((cls, prefix, wanted))
    if known is not None:
        return known
    out: list[_Step] = []
    for member in kinds.members(cls):
        name, spec = prefix + member.name, member.kind
        if member.name in kinds.NOT_ASKED:
            continue
        if isinstance(spec, kinds.Codes):
            out.append((member.name, name, "words", {f"{name}_has_{w.replace('-', '_')}": w for w in spec.words}))
        elif isinstance(spec, kinds.Num):
            out.append((member.name, name, "number", spec.unit))
        elif isinstance(spec, kinds.Items):
            out.append((member.name, name, "count", ""))
        elif isinstance(spec, kinds.Part):
            inner = [m.name for m in kinds.members(spec.of) if m.name not in kinds.NOT_ASKED]
            out.append((member.name, name, "part", tuple(f"{name}_{one}" for one in inner)))
        elif isinstance(spec, (kinds.Int, kinds.Flag, kinds.Code)):
            out.append((member.name, name, "value", ""))
        else:  # times, ids, text: only their state can be asked for
            out.append((member.name, name, "there", ""))
    if wanted is not None:
        out = [
            (member, name, how, {n: w for n, w in more.items() if n in wanted} if isinstance(more, dict) else more)
            for member, name, how, more in out
            if any(one == name or one.startswith(f"{name}_") for one in wanted)
        ]
    _PLANS[cls, prefix, wanted] = out
    return out


class Draft(Fact):
    """A fact in the making."""

    __slots__ = ()
    values: dict[str, Scalar]
    states: dict[str, str]
    evidence: dict[str, tuple[Evidence, ...]]
    spans: dict[str, tuple[int, int]]

    def __init__(self, kind: str, key: str, pointers: Iterable[Evidence] = ()) -> None:
        self.kind, self.key, self.pointers = kind, key, tuple(pointers)
        self.values, self.states, self.evidence, self.spans = {}, {}, {}, {}
        self.span = None

    def put(self, name: str, value: Scalar | Absent | None, state: str = "missing") -> None:
        """Set an attribute; None or an Absent leaves it unknown with that state."""
        if value is None:
            self.states[name] = state
        elif value.__class__ is Absent:
            self.states[name] = value.state
        else:
            self.values[name] = value  # type: ignore[assignment]

    def unknown(self, names: Iterable[str], state: str) -> None:
        """Leave several attributes unknown."""
        for name in names:
            self.states[name] = state

    def know(self, **values: Scalar) -> None:
        """Set several attributes."""
        self.values.update(values)

    def members(self, node: Node, wanted: Wanted, prefix: str = "") -> None:
        """The members of an item as attributes, under the names the vocabulary gives them."""
        values, states = self.values, self.states
        for member, name, how, more in _plan(node.__class__, prefix, wanted):
            value = getattr(node, member)
            if value.__class__ is Absent:
                states[name] = state = value.state
                for inner in more if how in ("words", "part") else ():
                    states[inner] = state
            elif how == "value":
                values[name] = value
            elif how == "there":
                values[name] = True
            elif how == "number":
                values[name] = scaled(value, more)  # type: ignore[arg-type]
            elif how == "count":
                values[name] = len(value)
            elif how == "words":
                values[name] = len(value)
                for inner, word in more.items():  # type: ignore[union-attr]
                    values[inner] = word in value
            else:
                values[name] = True
                self.members(value, wanted, f"{name}_")
