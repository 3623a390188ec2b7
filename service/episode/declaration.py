"""The building blocks that the classes of the record are declared with.

One declaration per member (type, unit, bounds, words) serves the classes, the
readers and the contract alike. The classes are msgspec structs: msgspec checks
a body of JSON and makes their objects in one step (``intake.fast_reader``).
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from operator import attrgetter
from typing import Annotated, Any, Literal, dataclass_transform

import msgspec
from msgspec import UNSET, Meta, UnsetType

from .absence import DECLINED_REASONS, MISSING, Absent
from .member_names import MemberName

#: Members no rule asks about by themselves.
NOT_ASKED = ("id", "entered")

#: Items in one list, and in all lists of an episode; words in a list that may repeat them.
MOST_ITEMS = 2_000
MOST_ITEMS_IN_ALL = 10_000
MOST_WORDS = 20

LONGEST_ID = 64
ID_PATTERN = rf"^[A-Za-z0-9._-]{{1,{LONGEST_ID}}}$"


_STATES = Literal["not_collected", "declined"]
_REASONS = Literal[DECLINED_REASONS]  # type: ignore[valid-type]


class Absence(msgspec.Struct, frozen=True, forbid_unknown_fields=True, omit_defaults=True):
    """``{"absent": ...}`` in place of a plain value, as it is sent; the reader replaces it by an ``Absent``."""

    absent: _STATES
    reason: _REASONS | UnsetType = UNSET


#: What a section or a list can say in place of its content: that it is absent and why, or ``{"none": true}``.
SAID: dict[str, Any] = {"absent": _STATES | UnsetType, "none": bool | UnsetType, "reason": _REASONS | UnsetType}
_Said = msgspec.defstruct(
    "_Said", [(name, said, UNSET) for name, said in SAID.items()], forbid_unknown_fields=True, omit_defaults=True
)


@dataclass(frozen=True, slots=True)
class Kind:
    """What a member may hold. ``doc`` is the text the contract shows."""

    doc: str = ""


@dataclass(frozen=True, slots=True)
class Int(Kind):
    """A whole number in ``unit``, from ``low`` to ``high``."""

    low: int = 0
    high: int = 0
    unit: str = ""


@dataclass(frozen=True, slots=True)
class Num(Kind):
    """A number in ``unit``, from ``low`` to ``high``."""

    low: float = 0
    high: float = 0
    unit: str = ""


#: Unit of a decimal member -> the factor that makes it the whole number which rules compare.
WHOLE = {"kg": 10, "L/min": 10, "s": 10, "mm[Hg]": 10, "Cel": 10, "mg/dL": 10, "mg/mL": 100, "%": 1, "": 100}


@dataclass(frozen=True, slots=True)
class Flag(Kind):
    """True or false."""


@dataclass(frozen=True, slots=True)
class Code(Kind):
    """One word of a closed set."""

    words: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Codes(Kind):
    """A list of words of a closed set; an empty list says none. ``repeats``: a word may stand twice."""

    words: tuple[str, ...] = ()
    repeats: bool = False


@dataclass(frozen=True, slots=True)
class Time(Kind):
    """RFC 3339 date and time with offset."""


@dataclass(frozen=True, slots=True)
class Ident(Kind):
    """An opaque id: letters, digits, dot, underscore, hyphen."""


@dataclass(frozen=True, slots=True)
class Idents(Kind):
    """A list of opaque ids, each once; an empty list says none."""


@dataclass(frozen=True, slots=True)
class Text(Kind):
    """Free text of at most ``longest`` characters; never repeated in an answer. A blank one is left out."""

    longest: int = 200


@dataclass(frozen=True, slots=True)
class Items(Kind):
    """A list of objects; an empty list says none. ``may_be_none``: ``{"none": true}`` says the same."""

    of: type = object
    may_be_none: bool = False


@dataclass(frozen=True, slots=True)
class Part(Kind):
    """One nested object. ``may_be_none``: ``[]`` or ``{"none": true}`` says that there was none of it."""

    of: type = object
    may_be_none: bool = False


def _word(kind: Code | Codes) -> Any:
    return Literal[kind.words]


def _sent(kind: Kind) -> Any:
    """The type that msgspec holds a value against when it is sent as JSON, without an absence in its place."""
    match kind:
        case Int():
            return Annotated[int, Meta(ge=kind.low, le=kind.high)]
        case Num():
            # A number stays as it was sent, 5 or 5.0: the digest tells the two apart, and an export
            # must not add precision that nobody charted.
            whole = Annotated[int, Meta(ge=math.ceil(kind.low), le=math.floor(kind.high))]
            return whole | Annotated[float, Meta(ge=kind.low, le=kind.high)]
        case Flag():
            return bool
        case Code():
            return _word(kind)
        case Codes():
            most = MOST_WORDS if kind.repeats else len(kind.words)
            return Annotated[tuple[_word(kind), ...], Meta(max_length=most)]  # type: ignore[misc]
        case Time():
            return str
        case Ident():
            return Annotated[str, Meta(min_length=1, max_length=LONGEST_ID)]
        case Idents():
            return Annotated[tuple[_sent(Ident()), ...], Meta(max_length=MOST_WORDS)]  # type: ignore[misc]
        case Text():
            return Annotated[str, Meta(max_length=kind.longest)]
        case Items():
            return Annotated[list[kind.of], Meta(max_length=MOST_ITEMS)] | _Said  # type: ignore[name-defined]
        case Part(may_be_none=True):
            return kind.of | Annotated[list[Any], Meta(max_length=0)]
        case Part():
            return kind.of
    raise TypeError(type(kind).__name__)


@dataclass(frozen=True, slots=True)
class _Declared:
    kind: Kind
    required: bool
    unless: Unless


#: Of a required member: (another member, words of that with which this one may be left out).
Unless = tuple[MemberName, tuple[str, ...]] | None


def member(kind: Kind, *, required: bool = False, unless: Unless = None) -> Any:
    """Declare a member. Only what says which thing an item is may be ``required``."""
    return _Declared(kind, required, unless)


@dataclass(frozen=True, slots=True)
class Member:
    """One declared member of a class of the record."""

    name: MemberName
    kind: Kind
    required: bool
    unless: Unless = None

    def lacks(self, value: Callable[[str], Any]) -> bool:
        """Whether it is required and was left out. ``value``: gives the value of a member by its name, or MISSING."""
        if not self.required or value(self.name) is not MISSING:
            return False
        return self.unless is None or value(self.unless[0]) not in self.unless[1]

    def sent(self) -> Any:
        """The type that msgspec holds what is sent against, absences included."""
        if self.required or isinstance(self.kind, (Part, Items)):
            return _sent(self.kind)
        return _sent(self.kind) | Absence


_MEMBERS: dict[type, tuple[Member, ...]] = {}


def members(cls: type) -> tuple[Member, ...]:
    """The declared members of a class of the record, in the order of declaration. Raises KeyError for any other class."""
    return _MEMBERS[cls]


@functools.cache
def by_name(cls: type) -> dict[str, Member]:
    """Name -> declared member of a class of the record. Raises KeyError for any other class."""
    return {member.name: member for member in members(cls)}


def getter(names: Iterable[MemberName]) -> Callable[[Any], tuple[Any, ...]]:
    """A function that gives the members of those names of an object, as a tuple in that order."""
    wanted = tuple(names)
    if len(wanted) > 1:
        return attrgetter(*wanted)
    return lambda node: tuple([getattr(node, name) for name in wanted])


class _NotSent:
    """The type of ``Node.at``: no JSON value has it, so no body can set a place."""


@dataclass_transform(kw_only_default=True, frozen_default=True)
class _Record(msgspec.StructMeta):
    """Makes the struct of a class from the declaration of its members.

    Fields stand in alphabetical order, so that an object is written with its
    members sorted. A class without an ``id`` is a section. Its struct also has
    the fields of ``SAID`` until the reader has put an ``Absent`` in place of
    the section, so even its required members may be left out of the struct.
    """

    def __new__(mcls, name: str, bases: tuple[type, ...], namespace: dict[str, Any]) -> Any:
        declared = {key: value for key, value in namespace.items() if isinstance(value, _Declared)}
        found = tuple(Member(key, value.kind, value.required, value.unless) for key, value in declared.items())  # type: ignore[arg-type]
        types: dict[str, Any] = {}
        if bases == (msgspec.Struct,):
            types["at"] = _NotSent
        elif "id" not in declared:
            types = dict(SAID)
            namespace |= dict.fromkeys(SAID, UNSET)
            Absent.of_sections.update(declared)
        for one in found:
            if one.name in types or ("id" not in declared and hasattr(Absent, one.name)):
                raise TypeError(f"{name}.{one.name}: this name tells an absence of the whole section")
            types[one.name] = one.sent()
            if one.required and one.unless is None and "id" in declared:
                del namespace[one.name]
            else:
                namespace[one.name] = MISSING
        namespace["__annotations__"] = {key: types[key] for key in sorted(types)}
        made = super().__new__(
            mcls, name, bases, namespace, kw_only=True, frozen=True, gc=False, forbid_unknown_fields=True, omit_defaults=True
        )  # fmt: skip
        _MEMBERS[made] = found
        return made


class Node(msgspec.Struct, metaclass=_Record):
    """Common to every object of the record. ``at`` is its JSON Pointer (RFC 6901).

    Frozen: the reader alone sets members, while it reads. Objects form a tree,
    without cycles, so they are kept out of garbage collection.
    """

    at: str = ""


@dataclass(frozen=True, slots=True)
class Shape:
    """Names of members of a class: the ``times``, the ``parts``, and all that are or contain a time (``timed``)."""

    times: tuple[MemberName, ...]
    parts: tuple[MemberName, ...]
    timed: tuple[MemberName, ...]


@functools.cache
def shape(cls: type) -> Shape:
    """The shape of a class of the record."""
    by: dict[type, list[MemberName]] = {Time: [], Part: []}
    timed = []
    for one in members(cls):
        by.setdefault(type(one.kind), []).append(one.name)
        if isinstance(one.kind, Time) or (isinstance(one.kind, (Part, Items)) and shape(one.kind.of).timed):
            timed.append(one.name)
    return Shape(tuple(by[Time]), tuple(by[Part]), tuple(timed))


@functools.lru_cache(maxsize=512)
def none_of(cls: type, at: str) -> Any:
    """A section of which there was none: empty lists, flags false, everything else not indicated."""
    out: dict[str, Any] = {"at": at}
    for member in members(cls):
        if isinstance(member.kind, Items):
            out[member.name] = ()
        elif isinstance(member.kind, Part):
            out[member.name] = none_of(member.kind.of, at)
        elif isinstance(member.kind, Flag):
            out[member.name] = False
        else:
            out[member.name] = Absent("declined", "not_indicated")
    return cls(**out)
