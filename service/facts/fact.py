"""What a fact is: flat, typed, and tied to the places in the record it comes from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import msgspec

from service.episode import pointers
from service.episode.absence import Absent
from service.episode.declaration import Node
from service.episode.member_names import MemberName
from service.wording.labels import item_label, member_label

Scalar = int | bool | str

RECORDED = "recorded"
MISSING = "missing"
NOT_COLLECTED = "not_collected"
DECLINED = "declined"

#: The order in which a derived attribute takes over the state of an input.
STATE_ORDER = (NOT_COLLECTED, MISSING, DECLINED)


class Evidence(msgspec.Struct, eq=False, gc=False):
    """One place in the episode: an object of the record, or a member of it that may be absent.

    ``chars`` is a half-open range of Unicode code points in a text. What a
    place is called and where it stands is worked out when it is asked for:
    most places are never shown.
    """

    _node: Node
    _name: MemberName | None = None
    _label: str | None = None
    chars: tuple[int, int] | None = None

    def __repr__(self) -> str:
        return f"Evidence{self._told()}"

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Evidence) and self._told() == other._told()

    def _told(self) -> tuple[object, ...]:
        return *self.where, self.label

    @property
    def where(self) -> tuple[str, str | None, tuple[int, int] | None]:
        """``pointer``, ``member`` and ``chars``: what tells two places apart."""
        if self._name is None:
            return self._node.at, None, self.chars
        if type(getattr(self._node, self._name)) is Absent:
            return self._node.at, self._name, self.chars
        return f"{self._node.at}/{self._name}", None, self.chars

    @property
    def member(self) -> str | None:
        """The member that is not there, when the pointer stands for something left out."""
        return self.where[1]

    @property
    def pointer(self) -> str:
        """An RFC 6901 pointer that resolves in the record: for something left out the nearest place that exists."""
        return self.where[0]

    @property
    def label(self) -> str:
        """What the place is called."""
        return self._label or (item_label(type(self._node)) if self._name is None else member_label(self._name))

    def by_ids(self) -> tuple[str, bool]:
        """The pointer with the id of an item in place of its index, and False where that has none.

        To the member itself, also where it is absent.
        """
        found, all_have = pointers.by_ids(self._node)
        return (found if self._name is None else f"{found}/{self._name}"), all_have


#: How the builders read: ``place(check, "pulse")``.
place = Evidence


class Fact(msgspec.Struct, gc=False):
    """One thing the rules can look at. Nothing is changed once it stands in a sheet.

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
    pointers: tuple[Evidence, ...] = ()
    values: dict[str, Scalar] = {}
    states: dict[str, str] = {}
    evidence: dict[str, tuple[Evidence, ...]] = {}
    span: tuple[int, int] | None = None
    spans: dict[str, tuple[int, int]] = {}

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
