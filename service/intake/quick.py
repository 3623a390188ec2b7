"""The same reading in few passes, for bodies that are plainly good.

Most bodies are: then the strict parser, the size check, marshmallow and the
builder of ``episode_json`` would each walk the same tree in turn. Here msgspec
parses the bytes and checks types, bounds, words and lengths of every member
on the way, in C; what is left is done column by column, a member at a time
for all items of a list. At the first thing that is not plainly good this
gives up (``None``), and the body is read again from its bytes by the strict
parser and marshmallow, which own every refusal and every message.
``tests/intake/test_quick.py`` holds that the two never differ on what this one
accepts.

Unknown members and equal names: msgspec drops the first and keeps the last of
the second without a word. So the value is written again, as the digest needs
anyway, and the colons are counted: every member that was dropped took at
least its own colon with it, and nothing adds one.

The parsed dictionaries become the members of the model's objects as they are.
"""

from __future__ import annotations

import functools
import math
import re
from dataclasses import dataclass
from typing import Annotated, Any, Literal, Required, TypedDict

import msgspec
import orjson
from msgspec import Meta

from service.episode import kinds, model
from service.episode.kinds import NOT_COLLECTED, Absent, Moment

from . import fields, strict_json

MOST_ITEMS = 2_000
MOST_ITEMS_IN_ALL = 10_000


class _Unsure(Exception):
    """Not plainly good."""


# ---------------------------------------------------------------- what msgspec checks

_STATES = Literal["not_collected", "declined"]
_REASONS = Literal[kinds.DECLINED_REASONS]  # type: ignore[valid-type]


class _Absence(msgspec.Struct, forbid_unknown_fields=True, omit_defaults=True):
    """``{"absent": ...}`` in place of a plain value: a class of its own, so that it is met again without a search."""

    absent: _STATES
    reason: _REASONS | msgspec.UnsetType = msgspec.UNSET


#: The same in place of a section, and ``{"none": true}``: one object with all members, as unions of objects have no tag.
_SECTION: dict[str, Any] = {"absent": _STATES, "reason": _REASONS, "none": bool}
_Section = TypedDict("_Section", _SECTION, total=False)  # type: ignore[misc]


#: Members of a body that are no part of the record.
ASIDE: dict[str, Any] = {
    "not_collected": Annotated[list[Any], Meta(max_length=MOST_ITEMS)],
    "accepted": Annotated[list[Any], Meta(max_length=MOST_ITEMS)],
    "extensions": bool | int | float | str | list[Any] | dict[str, Any],
}


def _type(kind: kinds.Kind) -> Any:
    """What msgspec checks of one value."""
    match kind:
        case kinds.Int():
            return Annotated[int, Meta(ge=kind.low, le=kind.high)]
        case kinds.Num():
            # Both as they come: the digest tells 5 from 5.0.
            whole = Annotated[int, Meta(ge=math.ceil(kind.low), le=math.floor(kind.high))]
            return whole | Annotated[float, Meta(ge=kind.low, le=kind.high)]
        case kinds.Flag():
            return bool
        case kinds.Code():
            return Literal[kind.words]
        case kinds.Codes():
            most = fields.MOST_WORDS if kind.repeats else len(kind.words)
            return Annotated[tuple[Literal[kind.words], ...], Meta(max_length=most)]  # type: ignore[misc]
        case kinds.Time():
            return str
        case kinds.Ident():
            return Annotated[str, Meta(min_length=1, max_length=kinds.LONGEST_ID)]
        case kinds.Text():
            return Annotated[str, Meta(max_length=kind.longest)]
        case kinds.Items():
            return Annotated[list[_object(kind.of)], Meta(max_length=MOST_ITEMS)] | _Section  # type: ignore[misc]
        case kinds.Part(may_be_none=True):
            return _object(kind.of, section=True) | Annotated[list[Any], Meta(max_length=0)]
        case kinds.Part():
            return _object(kind.of, section=True)
    raise TypeError(type(kind).__name__)


@functools.cache
def _object(cls: type, section: bool = False) -> Any:
    """A dictionary with the members of a class; of a section also those that say that it is absent or empty."""
    made: dict[str, Any] = dict(_SECTION) if section else {}
    for member in kinds.members(cls):
        if member.name in made:
            raise TypeError(f"{cls.__name__}.{member.name}: a section cannot tell it from an absence")
        if member.required:
            made[member.name] = Required[_type(member.kind)]
        elif isinstance(member.kind, (kinds.Items, kinds.Part)):
            made[member.name] = _type(member.kind)
        else:
            made[member.name] = _type(member.kind) | _Absence
    if cls is model.Episode:
        made |= ASIDE
    return TypedDict(cls.__name__, made, total=False)  # type: ignore[operator]


_decode = msgspec.json.Decoder(_object(model.Episode)).decode


# ---------------------------------------------------------------- parse


@dataclass(frozen=True, slots=True)
class Parsed:
    """A body whose members have the right types and that has lost nothing.

    ``value``: the object without ``accepted``, which stands beside it (None
    where it is not there). ``written``: the value in canonical form.
    ``absences``: some plain value is an absence.
    """

    value: dict[str, Any]
    accepted: Any
    written: bytes
    absences: bool


def parse(body: bytes) -> Parsed | None:
    """The parsed object, None when the strict parser has to look."""
    if b"\\" in body and (b"\\u003a" in body or b"\\u003A" in body):
        return None  # colons that the count would not see
    absences = []

    def write(absence: Any) -> Any:
        absences.append(absence)
        return msgspec.to_builtins(absence)

    try:
        value = _decode(body)
        colons = body.count(b":")
        accepted = None
        if "accepted" in value:
            accepted = value.pop("accepted")
            colons -= orjson.dumps({"accepted": accepted}).count(b":")
        written = orjson.dumps(value, write, orjson.OPT_SORT_KEYS)
    except Exception:  # noqa: BLE001 - whatever is odd, the strict reader says what it is
        return None
    return Parsed(value, accepted, written, bool(absences)) if written.count(b":") == colons else None


def _absent_names(written: bytes) -> set[str]:
    """Names of members with an absence for a value, found in the canonical form."""
    before = written.split(b'":{"absent":')[:-1]
    return {text[text.rindex(b'"') + 1 :].decode() for text in before}


# ---------------------------------------------------------------- into the model


@dataclass(frozen=True, slots=True)
class _Columns:
    """The members of one class by what is left to do with them; all others stay as they were parsed."""

    cls: type
    times: tuple[str, ...]
    numbers: tuple[str, ...]
    idents: tuple[str, ...]
    words: tuple[str, ...]
    parts: tuple[tuple[str, _Columns, bool], ...]
    lists: tuple[tuple[str, _Columns, bool], ...]
    plain: frozenset[str]


@functools.cache
def _columns(cls: type) -> _Columns:
    members = kinds.members(cls)

    def names(kind: type[kinds.Kind]) -> tuple[str, ...]:
        return tuple(m.name for m in members if isinstance(m.kind, kind))

    def inner(kind: type[kinds.Items] | type[kinds.Part]) -> tuple[tuple[str, _Columns, bool], ...]:
        return tuple((m.name, _columns(m.kind.of), m.kind.may_be_none) for m in members if isinstance(m.kind, kind))

    return _Columns(
        cls,
        names(kinds.Time),
        names(kinds.Num),
        names(kinds.Ident),
        tuple(m.name for m in members if isinstance(m.kind, kinds.Codes) and not m.kind.repeats),
        inner(kinds.Part),
        inner(kinds.Items),
        frozenset(m.name for m in members if not isinstance(m.kind, (kinds.Items, kinds.Part))),
    )


_Row = dict[str, Any]
_new = object.__new__
_put = kinds.Node.__dict__["__dict__"].__set__
_STEPS = tuple(f"/{index}" for index in range(MOST_ITEMS))
_SCORES = {scale: range(low, high + 1) for scale, (low, high) in fields.SCORES.items()}
_IDENT_BYTES = bytes(code for code in range(128) if re.fullmatch(kinds.ID_PATTERN, chr(code)))
_plain_time = re.compile(
    r"(?:19[5-9]\d|20[0-4]\d|2050)-\d\d-\d\dT\d\d:\d\d:\d\d(?:Z|[+-]\d\d:[0-5]\d)", re.ASCII
).fullmatch


class _Walk:
    """One walk: what it met, to be looked at once, and the times it has read."""

    __slots__ = ("absent_names", "idents", "items", "times")

    def __init__(self, absent_names: set[str]) -> None:
        self.absent_names = absent_names
        self.items = 0
        self.idents: set[str] = set()
        self.times: dict[str, Moment] = {}

    def nodes(self, columns: _Columns, rows: list[_Row], absent: dict[str, Any]) -> list[Any]:
        """Objects of one class; the rows know their places already."""
        held = self._take_absences(columns, rows) if self.absent_names else ()
        times = self.times
        for name in columns.times:
            for row in rows:
                if name in row:
                    text = row[name]
                    row[name] = times.get(text) or self._time(text)
        for name in columns.numbers:
            for row in rows:
                if name in row:
                    row[name] = float(row[name])
        for name in columns.idents:
            self.idents.update([row[name] for row in rows if name in row])
        for name in columns.words:
            for row in rows:
                if name in row and len(set(row[name])) != len(row[name]):
                    raise _Unsure
        for name, inner, may_be_none in columns.parts:
            for row in rows:
                if name in row:
                    row[name] = self._part(inner, row, name, may_be_none, absent.get(name, _NOTHING))
        for name, inner, may_be_none in columns.lists:
            for row in rows:
                if name in row:
                    row[name] = self._list(inner, row, name, may_be_none, absent.get(name, _NOTHING).get("*", _NOTHING))
        if columns.cls is model.VitalSet:
            _check_scores(rows)
        elif columns.cls is model.Age:
            _cap_age(rows)
        if absent:
            _put_not_collected(rows, absent)
        for row, name, state in held:
            row[name] = state
        nodes = []
        for row in rows:
            node = _new(columns.cls)
            _put(node, row)
            nodes.append(node)
        return nodes

    def _part(self, columns: _Columns, around: _Row, name: str, may_be_none: bool, absent: dict[str, Any]) -> Any:
        row = around[name]
        at, stable = f"{around['at']}/{name}", f"{around['stable']}/{name}"
        if "absent" in row:
            return fields.absence(row)
        if type(row) is list or _says_none(row, may_be_none):
            return kinds.none_of(columns.cls, at, stable)
        if "reason" in row:
            raise _Unsure
        row["at"], row["stable"], row["by_id"] = at, stable, around["by_id"]
        return self.nodes(columns, [row], absent)[0]

    def _list(self, columns: _Columns, around: _Row, name: str, may_be_none: bool, absent: dict[str, Any]) -> Any:
        rows = around[name]
        if type(rows) is not list:
            if "absent" in rows:
                return fields.absence(rows)
            if _says_none(rows, may_be_none):
                return ()
            raise _Unsure
        self.items += len(rows)
        at, stable = f"{around['at']}/{name}", f"{around['stable']}/{name}"
        by_id = around["by_id"]
        seen = set()
        for row, step in zip(rows, _STEPS, strict=False):
            row["at"] = at + step
            ident = row.get("id")
            if type(ident) is str:
                row["stable"] = f"{stable}/{ident}"
                row["by_id"] = by_id
                if ident in seen:
                    raise _Unsure
                seen.add(ident)
            else:
                row["stable"] = stable + step
                row["by_id"] = False
        return tuple(self.nodes(columns, rows, absent))

    def _time(self, text: str) -> Moment:
        if _plain_time(text):
            read = Moment.fromisoformat(text)
        else:
            read = fields.AwareTime().deserialize(text)
        self.times[text] = read
        return read

    def _take_absences(self, columns: _Columns, rows: list[_Row]) -> list[tuple[_Row, str, Absent]]:
        """Take absences of plain values out of the rows, so that the rest can be read as if they were not there."""
        held = []
        for name in self.absent_names & columns.plain:
            for row in rows:
                if type(row.get(name)) is _Absence:
                    held.append((row, name, fields.absence(msgspec.to_builtins(row.pop(name)))))
        return held


_NOTHING: dict[str, Any] = {}


def _says_none(row: _Row, may_be_none: bool) -> bool:
    if "none" not in row:
        return False
    if may_be_none and len(row) == 1 and row["none"] is True:
        return True
    raise _Unsure


def _check_scores(rows: list[_Row]) -> None:
    for row in rows:
        if "agitation_score" in row and "agitation_scale" in row:
            if row["agitation_score"] not in _SCORES[row["agitation_scale"]]:
                raise _Unsure


def _cap_age(rows: list[_Row]) -> None:
    for row in rows:
        if row["unit"] == "a" and row["value"] > 89:
            row["value"] = 90


def _put_not_collected(rows: list[_Row], absent: dict[str, Any]) -> None:
    listed = {name: NOT_COLLECTED for name, inner in absent.items() if name and "" in inner}
    for row in rows:
        members = len(row) + len(listed)
        row.update(listed)
        if len(row) != members:
            raise _Unsure  # sent although it is not collected: a notice is due


def episode(parsed: Parsed, absent: dict[str, Any]) -> model.Episode | None:
    """The model of a parsed body, whose ``value`` it uses up; None when something is not plainly good.

    ``absent`` is the trie of ``not_collected``.
    """
    value = parsed.value
    if _too_deep(value.get("extensions"), strict_json.MOST_LEVELS - 1):
        return None
    row = {name: inner for name, inner in value.items() if name not in ASIDE}
    row["at"] = row["stable"] = ""
    row["by_id"] = True
    walk = _Walk(_absent_names(parsed.written) if parsed.absences else set())
    try:
        (read,) = walk.nodes(_columns(model.Episode), [row], absent)
    except Exception:  # noqa: BLE001 - whatever is odd, the strict reader says what it is
        return None
    if walk.items > MOST_ITEMS_IN_ALL or "".join(walk.idents).encode().translate(None, _IDENT_BYTES):
        return None
    return read  # type: ignore[no-any-return]


def _too_deep(value: Any, levels: int) -> bool:
    """Whether objects and lists nest deeper than so many levels."""
    if type(value) is dict:
        return levels == 0 or any(_too_deep(inner, levels - 1) for inner in value.values())
    if type(value) is list:
        return levels == 0 or any(_too_deep(inner, levels - 1) for inner in value)
    return False
