"""What a fact is: flat, typed, and tied to the places in the record it comes from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

Scalar = int | bool | str

RECORDED = "recorded"
MISSING = "missing"
NOT_COLLECTED = "not_collected"
DECLINED = "declined"

#: The order in which a derived attribute takes over the state of an input.
STATE_ORDER = (NOT_COLLECTED, MISSING, DECLINED)


class Evidence(NamedTuple):
    """One place in the episode. ``pointer`` is an RFC 6901 pointer that resolves in the record.

    ``member`` names what is not there when the pointer stands for something
    left out (the pointer then names the nearest place that exists).
    ``chars`` is a half-open range of Unicode code points in the narrative.
    ``stable`` is the pointer with item ids in place of list indexes;
    ``by_id`` is False when an item on the way has no id.
    """

    pointer: str
    label: str
    stable: str
    by_id: bool = True
    member: str | None = None
    chars: tuple[int, int] | None = None


@dataclass(frozen=True, slots=True)
class Fact:
    """One thing the rules can look at.

    ``values`` holds the known attributes (int, bool or a word of a closed
    set); ``states`` the state of every attribute that is not known
    (``missing``, ``not_collected`` or ``declined``). An attribute stands in
    exactly one of the two. ``key`` tells facts of one kind apart (limb, drug,
    belt, phrase family) and goes into the fingerprint. ``span`` is
    (from, to) in epoch seconds, or None; ``spans`` the one of an attribute
    that has its own.
    """

    kind: str
    key: str
    values: Mapping[str, Scalar]
    states: Mapping[str, str]
    pointers: tuple[Evidence, ...]
    evidence: Mapping[str, tuple[Evidence, ...]] = field(default_factory=dict)
    span: tuple[int, int] | None = None
    spans: Mapping[str, tuple[int, int]] = field(default_factory=dict)

    def state(self, attribute: str) -> str:
        """``recorded`` or the state the attribute has instead (``missing`` when nothing says more)."""
        if attribute in self.values:
            return RECORDED
        return self.states.get(attribute, MISSING)


@dataclass(frozen=True, slots=True)
class FactSheet:
    """All facts of one episode, and for every kind the state of the list it is drawn from.

    ``closed`` is when the chart was closed, else its last entry, in epoch seconds.
    """

    facts: tuple[Fact, ...]
    drawn_from: Mapping[str, str]
    closed: int | None = None
