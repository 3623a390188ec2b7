"""How a fact is put together: values, states and the places they come from."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from service.episode import declaration
from service.episode.absence import Absent
from service.episode.declaration import Node
from service.episode.member_names import MemberName

from .fact import STATE_ORDER, Fact, Scalar


def scaled(value: float, unit: str) -> int:
    """A number of the record as its attribute has it: a whole number of parts (``declaration.WHOLE``), half up.

    A decimal saturation counts as the whole percent below it: 89.6 % is under 90 %.
    """
    exact = round(value * declaration.WHOLE[unit], 6)
    return int(exact) if unit == "%" else int(exact + 0.5)


def state_of(*inputs: Any) -> str:
    """The state of something derived from ``inputs``: the first of not_collected, missing, declined among them."""
    states = {value.state for value in inputs if type(value) is Absent}
    for state in STATE_ORDER:
        if state in states:
            return state
    return "missing"


#: The attributes of one kind that rules can ask for; None: all attributes are made.
Wanted = frozenset[str] | None


class Asked:
    """The attributes that the loaded rules look at or name in a message, by kind of fact.

    Working out all attributes of every fact would take far longer than those.
    """

    def __init__(self, by_kind: Mapping[str, Iterable[str]]) -> None:
        self._of = {kind: frozenset(names) for kind, names in by_kind.items()}
        self._shared = {
            kind: tuple(sorted(n for n in names if n.startswith("ep_"))) for kind, names in self._of.items()
        }

    def of(self, kind: str) -> frozenset[str]:
        """All attributes asked for of a kind of fact."""
        return self._of.get(kind, frozenset())

    def shared(self, kind: str) -> tuple[str, ...]:
        """Those of them that are about the whole episode (``ep_``)."""
        return self._shared.get(kind, ())


_Step = tuple[MemberName, str, str, str | dict[str, str] | tuple[str, ...]]


@dataclass(frozen=True, slots=True)
class _Plan:
    """How the members of a class become attributes.

    ``plain``: attributes that take over the value of a member as it is;
    ``get`` gives those values, in the same order. ``steps``: for every other
    member (member, attribute, how the one becomes the other, what is needed for it).
    """

    plain: tuple[str, ...]
    get: Callable[[Node], tuple[Any, ...]]
    steps: tuple[_Step, ...]


_PLANS: dict[tuple[type, str, Wanted], _Plan] = {}


def _plan(cls: type, prefix: str, wanted: Wanted) -> _Plan:
    """The plan for what is wanted of the members of a class."""
    known = _PLANS.get((cls, prefix, wanted))
    if known is not None:
        return known
    plain: dict[str, MemberName] = {}
    steps: list[_Step] = []
    for member in declaration.members(cls):
        name, spec = prefix + member.name, member.kind
        if member.name in declaration.NOT_ASKED:
            continue
        if wanted is not None and not any(one == name or one.startswith(f"{name}_") for one in wanted):
            continue
        if isinstance(spec, declaration.Codes):
            words = {f"{name}_has_{word.replace('-', '_')}": word for word in spec.words}
            chosen = {name: word for name, word in words.items() if wanted is None or name in wanted}
            steps.append((member.name, name, "words", chosen))
        elif isinstance(spec, declaration.Num):
            steps.append((member.name, name, "number", spec.unit))
        elif isinstance(spec, (declaration.Items, declaration.Idents)):
            steps.append((member.name, name, "count", ""))
        elif isinstance(spec, declaration.Part):
            inner = [m.name for m in declaration.members(spec.of) if m.name not in declaration.NOT_ASKED]
            steps.append((member.name, name, "part", tuple(f"{name}_{one}" for one in inner)))
        elif isinstance(spec, (declaration.Int, declaration.Flag, declaration.Code)):
            plain[name] = member.name
        else:  # times, ids, text: only their state can be asked for
            steps.append((member.name, name, "there", ""))
    made = _PLANS[cls, prefix, wanted] = _Plan(tuple(plain), declaration.getter(plain.values()), tuple(steps))
    return made


class FactBuilder(Fact, gc=False):
    """A fact that is still being put together."""

    def set(self, name: str, value: Scalar | Absent | None, state: str = "missing") -> None:
        """Set an attribute; None or an Absent leaves it unknown with that state."""
        if value is None:
            self.states[name] = state
        elif type(value) is Absent:
            self.states[name] = value.state
        else:
            self.values[name] = value

    def derive(self, name: str, value: Scalar | Absent | None, *inputs: Any) -> None:
        """Set an attribute; None leaves it unknown with the state of its inputs."""
        if value is None:
            self.states[name] = state_of(*inputs)
        else:
            self.set(name, value)

    def unknown(self, names: Iterable[str], state: str) -> None:
        """Leave several attributes unknown."""
        for name in names:
            self.states[name] = state

    def know(self, **values: Scalar) -> None:
        """Set several attributes that are known."""
        if self.values:
            self.values.update(values)
        else:
            self.values = values

    def members(self, node: Node, wanted: Wanted, prefix: str = "") -> None:
        """Set the members of an object as attributes, under the names that the vocabulary gives them."""
        values, states = self.values, self.states
        plan = _plan(type(node), prefix, wanted)
        for name, value in zip(plan.plain, plan.get(node), strict=True):
            if type(value) is Absent:
                states[name] = value.state
            else:
                values[name] = value
        for member, name, how, more in plan.steps:
            value = getattr(node, member)
            if type(value) is Absent:
                states[name] = state = value.state
                for inner in more if how in ("words", "part") else ():
                    states[inner] = state
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
