"""The rulebook as frozen data: what a rule, a parameter and a profile are.

Nothing here reads files or evaluates anything. Conditions come in two forms:
*written* (a leaf may name a parameter as ``$name``) and *bound* (every leaf
holds a literal in the attribute's own scaled integer unit). ``bind`` in
``service.rulebook.profiles`` turns the first into the second.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

Scalar = int | bool | str

#: Operators that ask about a value's state (true or false; unknown when it is ``not_collected``).
STATE_OPS = ("recorded", "missing", "declined")
#: Operators that compare a value (unknown unless the state is ``recorded``).
VALUE_OPS = ("eq", "ne", "lt", "le", "gt", "ge")


@dataclass(frozen=True, slots=True)
class Leaf:
    """One attribute, one operator, one literal or ``$parameter``.

    ``value`` is the literal (``True`` for the state operators); ``parameter``
    is the name of a rule parameter, or None. Bound leaves have no parameter.
    """

    attribute: str
    op: str
    value: Scalar | None
    parameter: str | None = None


@dataclass(frozen=True, slots=True)
class Group:
    """``all`` or ``any`` over leaves and, one level deeper, groups."""

    mode: Literal["all", "any"]
    terms: tuple[Leaf | Group, ...]

    def leaves(self) -> tuple[Leaf, ...]:
        """Every leaf in reading order."""
        out: list[Leaf] = []
        for term in self.terms:
            out.extend(term.leaves() if isinstance(term, Group) else (term,))
        return tuple(out)


@dataclass(frozen=True, slots=True)
class Parameter:
    """A number an agency may choose inside ``low``..``high``; ``unit`` as people write it (min, mg).

    ``of``: the number that this one is a multiple (``times``) of, ``RR-1239.max_im`` or the name of a shared one. A
    profile sets that one only.
    """

    name: str
    unit: str
    default: int | float
    low: int | float
    high: int | float
    source: str
    of: str | None = None
    times: int | float = 1

    def under(self, rule_id: str, numbers: Mapping[str, int | float]) -> int | float:
        """Its value. ``numbers``: those chosen, by full name (``RR-1239.max_im``)."""
        own = numbers.get(f"{rule_id}.{self.name}")
        if own is not None:
            return own
        first = numbers.get(self.of) if self.of is not None else None
        return self.default if first is None else multiple(first, self.times)


def multiple(value: int | float, times: int | float) -> int | float:
    """The product as a person would write it: without the last digits of binary fractions."""
    product = round(value * times, 6)
    return int(product) if product == int(product) else product


@dataclass(frozen=True, slots=True)
class Source:
    """Where a rule's trigger or number comes from. ``confidence``: read, read_secondary, memory, practice."""

    key: str
    locator: str
    supports: str
    confidence: str


@dataclass(frozen=True, slots=True)
class WorstBy:
    """Which instance of a finding is worst: by the lowest or the highest value of an attribute."""

    attribute: str
    lowest: bool


@dataclass(frozen=True, slots=True)
class YieldsTo:
    """A rule that speaks in place of this one where both find the same ``fact``, list ``item`` or ``time``."""

    rule: str
    on: Literal["fact", "item", "time"]


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule as written. ``raw`` is the loaded YAML mapping (for ``/v1/rules`` and the digest).

    ``due``: now, transfer or closing; a call that still runs is asked only for what is due now. ``message_many``
    tells all instances of one finding in a sentence. ``asked_because``: what the next clinician needs the entry for.
    """

    id: str
    name: str
    phase: str
    concern: str
    category: str
    handled_by: str
    about: str
    due: str
    severity: str
    severity_allowed: tuple[str, ...]
    locked: bool
    revision: int
    title: str
    parameters: tuple[Parameter, ...]
    applies_when: Group
    fails_when: Group
    worst_by: WorstBy | None
    message: str
    message_many: str | None
    tell_now: str | None
    remediation: str
    why: str
    asked_because: str | None
    yields_to: tuple[YieldsTo, ...]
    requires: tuple[str, ...]
    answers: tuple[str, ...]
    cascade: str | None
    known_limits: tuple[str, ...]
    sources: tuple[Source, ...]
    raw: dict[str, object] = field(repr=False, compare=False)

    def __hash__(self) -> int:
        return self.number  # not all that a rule says, whenever one is looked up

    @property
    def number(self) -> int:
        """The four digits of the id, for ordering."""
        return int(self.id[3:])


@dataclass(frozen=True, slots=True)
class SwitchOff:
    """A rule an agency has switched off: why, who owns that, and the last day it holds (YYYY-MM-DD)."""

    rule: str
    reason: str
    owner: str
    ends: str


@dataclass(frozen=True, slots=True)
class Profile:
    """An agency's choices. ``parameters``: rule id -> name -> value in the parameter's own unit.

    ``shared``: numbers of several rules, by name. ``measures``: rules that are counted and not asked, each with the
    reason.
    """

    id: str
    version: int
    title: str
    parameters: dict[str, dict[str, int | float]]
    shared: dict[str, int | float]
    severities: dict[str, str]
    measures: dict[str, str]
    off: tuple[SwitchOff, ...]
    raw: dict[str, object] = field(repr=False, compare=False)

    @property
    def numbers(self) -> dict[str, int | float]:
        """Every number that it chooses, by full name."""
        own = {f"{rule}.{name}": value for rule, chosen in self.parameters.items() for name, value in chosen.items()}
        return {**self.shared, **own}


@dataclass(frozen=True, slots=True)
class BoundRule:
    """A rule with one profile's numbers as literals: what the engine and the evaluator decide by.

    ``values``: parameter name -> value in the parameter's own unit, for messages. ``handled_by``: author, reviewer,
    or measures (counted, never among the findings).
    """

    rule: Rule
    severity: str
    handled_by: str
    applies: Group
    fails: Group
    values: dict[str, int | float]
