"""The building blocks an episode is declared with, and the states a value can be in.

One declaration per member (type, unit, bounds, words) serves the model, the
strict reader and the contract alike.
"""

from __future__ import annotations

import functools
from dataclasses import MISSING as NO_DEFAULT
from dataclasses import dataclass, field, fields
from datetime import datetime
from typing import Any, ClassVar, NoReturn, final

#: Reason codes for a value that was attempted, ruled out or unsafe.
DECLINED_REASONS = (
    "unsafe_to_attempt",
    "patient_refused",
    "unable_to_obtain",
    "ruled_out",
    "not_indicated",
    "contraindicated",
    "equipment_unavailable",
    "equipment_failed",
    "out_of_scope",
    "other",
)

#: Members no rule asks about by themselves.
NOT_ASKED = ("id", "entered")

LONGEST_ID = 64
ID_PATTERN = rf"^[A-Za-z0-9._-]{{1,{LONGEST_ID}}}$"


class Moment(datetime):
    """An aware time with its ``epoch``: whole seconds since 1970-01-01T00:00:00Z, worked out when first asked for."""

    __slots__ = ("epoch",)
    epoch: int

    def __getattr__(self, name: str) -> int:
        if name != "epoch":
            raise AttributeError(name)
        self.epoch = int(self.timestamp())
        return self.epoch


@final
class Absent:
    """Stands in place of a value that is not there. ``state``: missing, not_collected or declined.

    There is one for each state and reason, so that equal ones are the same
    object: values are held against words far more often than against these.
    ``epoch`` is None, so that a time can be asked for its seconds whether it is there or not.
    """

    __slots__ = ("reason", "state")
    state: str
    reason: str | None
    epoch: ClassVar[None] = None
    _known: ClassVar[dict[tuple[str, str | None], Absent]] = {}

    def __new__(cls, state: str, reason: str | None = None) -> Absent:
        """The one for this state and reason."""
        known = cls._known.get((state, reason))
        if known is None:
            known = super().__new__(cls)
            object.__setattr__(known, "state", state)
            object.__setattr__(known, "reason", reason)
            known = cls._known.setdefault((state, reason), known)
        return known

    def __setattr__(self, name: str, value: object) -> NoReturn:
        raise AttributeError(name)

    def __reduce__(self) -> tuple[type[Absent], tuple[str, str | None]]:
        return Absent, (self.state, self.reason)

    def __repr__(self) -> str:
        return f"Absent({self.state!r}, {self.reason!r})"

    def __bool__(self) -> bool:
        return False


MISSING = Absent("missing")
NOT_COLLECTED = Absent("not_collected")


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
class Text(Kind):
    """Free text of at most ``longest`` characters; never repeated in an answer."""

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


def member(kind: Kind, *, required: bool = False) -> Any:
    """Declare a member. Only what says which thing an item is may be ``required``."""
    if required:
        return field(metadata={"kind": kind})
    return field(default=MISSING, metadata={"kind": kind})


@dataclass(frozen=True, kw_only=True)
class Node:
    """Common to every object of the record.

    ``at`` is its JSON Pointer; ``stable`` the same with item ids in place of
    indexes; ``by_id`` is False where an item on the way has no id.
    """

    at: str = ""
    stable: str = ""
    by_id: bool = True


@dataclass(frozen=True, slots=True)
class Member:
    """One declared member of a model class."""

    name: str
    kind: Kind
    required: bool


@dataclass(frozen=True, slots=True)
class Shape:
    """The members of a class by what a walk does with them: names of times, of parts, of all with a time in them."""

    times: tuple[str, ...]
    parts: tuple[str, ...]
    timed: tuple[str, ...]


@functools.cache
def shape(cls: type) -> Shape:
    """The shape of a model class."""
    by: dict[type, list[str]] = {Time: [], Part: []}
    timed = []
    for one in members(cls):
        by.setdefault(type(one.kind), []).append(one.name)
        if isinstance(one.kind, Time) or (isinstance(one.kind, (Part, Items)) and shape(one.kind.of).timed):
            timed.append(one.name)
    return Shape(tuple(by[Time]), tuple(by[Part]), tuple(timed))


_MEMBERS: dict[type, tuple[Member, ...]] = {}


def members(cls: type) -> tuple[Member, ...]:
    """The declared members of a model class, in the order of declaration."""
    if cls not in _MEMBERS:
        _MEMBERS[cls] = tuple(
            Member(f.name, f.metadata["kind"], f.default is NO_DEFAULT) for f in fields(cls) if "kind" in f.metadata
        )
    return _MEMBERS[cls]


def none_of(cls: type, at: str, stable: str) -> Any:
    """A section of which there was none: empty lists, flags false, everything else not indicated."""
    out: dict[str, Any] = {"at": at, "stable": stable}
    for member in members(cls):
        if isinstance(member.kind, Items):
            out[member.name] = ()
        elif isinstance(member.kind, Part):
            out[member.name] = none_of(member.kind.of, at, stable)
        elif isinstance(member.kind, Flag):
            out[member.name] = False
        else:
            out[member.name] = Absent("declined", "not_indicated")
    return cls(**out)


#: Member names, or parts of them, that do not read well as they are.
_READ_AS = {
    "hr": "heart rate",
    "rr": "breathing rate",
    "spo2": "SpO2",
    "sbp": "systolic pressure",
    "dbp": "diastolic pressure",
    "etco2 mmhg": "EtCO2",
    "etco2 waveform": "EtCO2 waveform",
    "temperature c": "temperature",
    "glucose mg dl": "glucose",
    "cap refill s": "capillary refill",
    "cap refill other side": "capillary refill against the other side",
    "weight kg": "weight",
    "ecg": "ECG",
    "qtc ms": "QTc",
    "acvpu": "responsiveness",
    "behaviours": "behaviors",
    "behaviour": "behavior",
    "gcs total": "GCS total",
    "gcs eye": "GCS eye",
    "gcs verbal": "GCS verbal",
    "gcs motor": "GCS motor",
}
_MEMBER_LABELS: dict[str, str] = {}


def member_label(name: str) -> str:
    """What a member is called."""
    if name not in _MEMBER_LABELS:
        words = name.replace("_", " ")
        _MEMBER_LABELS[name] = _READ_AS.get(words, words)
    return _MEMBER_LABELS[name]
