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

#: Numbers are whole (seconds, hundredths of a mg, tenths of a mmHg): the engine compares some floats by their text,
#: and reads them by the locale of the machine.
Scalar = int | bool | str

RECORDED = "recorded"
MISSING = "missing"
NOT_COLLECTED = "not_collected"
DECLINED = "declined"

#: The order in which a derived attribute takes over the state of an input.
STATE_ORDER = (NOT_COLLECTED, MISSING, DECLINED)


class Evidence(msgspec.Struct, eq=False, gc=False):
    """One place in the episode: an object of the record, or one of its members, which may be absent.

    ``entry``: of a list, the member of an entry that is looked for. ``chars`` is a half-open range of Unicode code points in a text. Pointer
    and label are worked out when they are asked for: facts point at hundreds
    of places, and a review shows a few dozen.
    """

    _node: Node
    _name: MemberName | None = None
    _label: str | None = None
    chars: tuple[int, int] | None = None
    entry: MemberName | None = None

    def __repr__(self) -> str:
        return f"Evidence{self._told()}"

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Evidence) and self._told() == other._told()

    def _told(self) -> tuple[object, ...]:
        return *self.where, self.label

    @property
    def where(self) -> tuple[str, str | None, tuple[int, int] | None]:
        """(``pointer``, ``member``, ``chars``): equal for equal places."""
        if self._name is None:
            return self._node.at, None, self.chars
        if type(getattr(self._node, self._name)) is Absent:
            return self._node.at, self._name, self.chars
        return f"{self._node.at}/{self._name}", None, self.chars

    @property
    def member(self) -> str | None:
        """Name of the member, where it is absent; ``pointer`` then leads to its object. Else None."""
        return self.where[1]

    @property
    def pointer(self) -> str:
        """A JSON Pointer (RFC 6901) that resolves in the record; of an absent member, that of its object."""
        return self.where[0]

    @property
    def label(self) -> str:
        """What the place is called, in en-US."""
        name = self.entry or self._name
        return self._label or (item_label(type(self._node)) if name is None else member_label(name))

    @property
    def item(self) -> str | None:
        """Pointer of the list item that the place lies in, None outside lists."""
        return self._node.at if self._node.at.rpartition("/")[2].isdigit() else None

    @property
    def item_id(self) -> str | None:
        """The id that the sender gave the list item, None without one."""
        ident = getattr(self._node, "id", None) if self.item is not None else None
        return ident if isinstance(ident, str) else None

    def lacks(self, path: str) -> Evidence | None:
        """The place of a member that is missing of this object, where ``path`` (of the contract) leads to it; else None."""
        holder, _, name = path.rpartition("/")
        own, index = self._node.at, self._node.at.rpartition("/")[2].isdigit()
        if self._name is not None or holder != (f"{own.rpartition('/')[0]}/*" if index else own):
            return None
        value = getattr(self._node, name)
        return Evidence(self._node, name) if type(value) is Absent and value.state == MISSING else None  # type: ignore[arg-type]

    @property
    def is_list(self) -> bool:
        """Whether the place is a list of the record, which is there."""
        return self._name is not None and type(getattr(self._node, self._name)) is tuple

    def by_ids(self) -> tuple[str, bool]:
        """The pointer with the id of a list item in place of its index, and whether the item has an id.

        It leads to the member even where that is absent.
        """
        found, all_have = pointers.by_ids(self._node)
        return (found if self._name is None else f"{found}/{self._name}"), all_have


#: The name under which facts make one: ``place(check, "pulse")``.
place = Evidence


class Fact(msgspec.Struct, gc=False):
    """One thing the rules can look at. Not changed any more once it is in a sheet.

    ``kind``: what it is about (limb, dose, event ...). ``key`` tells facts of
    one kind apart (limb, drug, belt, phrase family) and goes into the
    fingerprint of a finding. ``pointers``: its places in the record.
    ``values``: the known attributes (int, bool or a word of a closed set).
    ``states``: of every other attribute why it is not known (``missing``,
    ``not_collected`` or ``declined``). ``evidence``: the places of an
    attribute that has its own. ``span``: (from, to) in epoch seconds, or None;
    ``spans``: the same of an attribute that has its own.
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
        """``recorded``, or why the attribute is not known; ``missing`` for one that the fact does not have."""
        if attribute in self.values:
            return RECORDED
        return self.states.get(attribute, MISSING)


@dataclass(frozen=True, slots=True)
class FactSheet:
    """All facts of one episode.

    ``drawn_from``: kind of fact -> state of the list of the record that its
    facts come from, ``recorded`` for kinds that come from no list. ``closed``:
    when the chart was closed, else the last time in it, in epoch seconds.
    ``began``: the first of all times in it.
    """

    facts: tuple[Fact, ...]
    drawn_from: Mapping[str, str]
    closed: int | None = None
    began: int | None = None
