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
from collections.abc import Callable
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


#: Members of a body that are no part of the record. The readers of ``episode_json`` check what is in them.
ASIDE: dict[str, Any] = {
    "not_collected": Annotated[list[Any], Meta(max_length=MOST_ITEMS)],
    "accepted": Annotated[list[Any], Meta(max_length=MOST_ITEMS)],
    "extensions": bool | int | float | str | list[Any] | dict[str, Any],
}


def _word(kind: kinds.Code | kinds.Codes) -> Any:
    return Literal[kind.words]


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
            return _word(kind)
        case kinds.Codes():
            most = fields.MOST_WORDS if kind.repeats else len(kind.words)
            return Annotated[tuple[_word(kind), ...], Meta(max_length=most)]  # type: ignore[misc]
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
        if section and member.name in (*_SECTION, "id"):
            raise TypeError(f"{cls.__name__}.{member.name}: sections have no id, and this name tells an absence")
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


# ---------------------------------------------------------------- times

_TIME = fields.AwareTime()
#: Hour, minute and seconds since midnight by "HH:MM".
_CLOCK = {f"{h:02}:{m:02}": (h, m, 3600 * h + 60 * m) for h in range(24) for m in range(60)}


class _Times(dict[str, Moment]):
    """The times of one body by their text.

    A body has few days and few offsets. Each is read by the strict field
    once, as midnight of that day and as that second of 1970-01-01T00:00; a
    time is put together from the two and its clock, together with its epoch,
    which every fact asks for. That is quicker than to read it whole and work
    out its epoch later.
    """

    __slots__ = ("_days", "_ends")

    def __init__(self) -> None:
        self._days: dict[str, tuple[int, int, int, int]] = {}
        self._ends: dict[str, tuple[int, int, Any, int]] = {}

    def add(self, text: str) -> Moment:
        """Read one time. Raises KeyError or ValidationError."""
        year, month, day, midnight = self._days.get(text[:11]) or self._day(text[:11])
        hour, minute, since = _CLOCK[text[11:16]]
        second, microsecond, offset, epoch = self._ends.get(text[16:]) or self._end(text[16:])
        read = self[text] = Moment(year, month, day, hour, minute, second, microsecond, offset)
        if not microsecond:
            read.epoch = midnight + since + epoch
        return read

    def _day(self, text: str) -> tuple[int, int, int, int]:
        read = _TIME.deserialize(f"{text}00:00:00Z")
        self._days[text] = found = (read.year, read.month, read.day, read.epoch)
        return found

    def _end(self, text: str) -> tuple[int, int, Any, int]:
        read = _TIME.deserialize(f"1970-01-01T00:00{text}")
        self._ends[text] = found = (read.second, read.microsecond, read.tzinfo, read.epoch)
        return found


# ---------------------------------------------------------------- into the model

_Row = dict[str, Any]
_Trie = dict[str, Any]
_STEPS = tuple(f"/{index}" for index in range(MOST_ITEMS))
_IDENT_BYTES = bytes(code for code in range(128) if re.fullmatch(kinds.ID_PATTERN, chr(code)))
_NOTHING: _Trie = {}
_new = object.__new__
_put = kinds.Node.__dict__["__dict__"].__set__


class _Walk:
    """What one walk has met: times; what is looked at once in the end; and what it has to look for."""

    __slots__ = ("absent_names", "idents", "items", "times")

    def __init__(self, absent_names: set[str]) -> None:
        self.absent_names = absent_names
        self.idents: list[str] = []
        self.items = 0
        self.times = _Times()


#: What is done with one member in all rows of one class: (rows, trie of what is not collected, walk).
_Column = Callable[[list[_Row], _Trie, _Walk], None]


def _nodes(cls: type, rows: list[_Row], absent: _Trie, walk: _Walk) -> list[Any]:
    """Objects of one class from rows that hold their places already: ``at``, ``stable``, and ``by_id`` where it is False."""
    taken = _take_absences(cls, rows, walk.absent_names) if walk.absent_names else ()
    for column in _columns(cls):
        column(rows, absent, walk)
    if absent:
        _put_not_collected(rows, absent)
    for row, name, absence in taken:
        row[name] = absence
    nodes = []
    for row in rows:
        node: Any = _new(cls)
        _put(node, row)
        nodes.append(node)
    return nodes


@functools.cache
def _columns(cls: type) -> tuple[_Column, ...]:
    """What is left to do with the members of a class; those of other kinds stay as they were parsed."""
    members = [m for m in kinds.members(cls) if type(m.kind) in _COLUMNS and m.name != "id"]
    found = [_COLUMNS[type(m.kind)](m.name, m.kind) for m in members]
    return (*found, *_CHECKS.get(cls, ()))


@functools.cache
def _plain(cls: type) -> frozenset[str]:
    return frozenset(m.name for m in kinds.members(cls) if not isinstance(m.kind, (kinds.Items, kinds.Part)))


def _times(name: str, _: kinds.Kind) -> _Column:
    def column(rows: list[_Row], _: _Trie, walk: _Walk) -> None:
        times = walk.times
        for row in rows:
            if name in row:
                row[name] = times.get(row[name]) or times.add(row[name])

    return column


def _numbers(name: str, _: kinds.Kind) -> _Column:
    def column(rows: list[_Row], _: _Trie, __: _Walk) -> None:
        for row in rows:
            if name in row:
                row[name] = float(row[name])

    return column


def _idents(name: str, _: kinds.Kind) -> _Column:
    """Any but the ids of items, which their list has looked at."""

    def column(rows: list[_Row], _: _Trie, walk: _Walk) -> None:
        walk.idents += [row[name] for row in rows if name in row]

    return column


def _words(name: str, kind: Any) -> _Column:
    def column(rows: list[_Row], _: _Trie, __: _Walk) -> None:
        for row in rows:
            if name in row and len(set(row[name])) != len(row[name]) and not kind.repeats:
                raise _Unsure

    return column


def _inner(name: str, read: Callable[[Any, _Row, _Trie, _Walk], Any]) -> _Column:
    """The column of a section or a list; ``read`` gets its value and the row around it."""

    def column(rows: list[_Row], absent: _Trie, walk: _Walk) -> None:
        for row in rows:
            if name in row:
                row[name] = read(row[name], row, absent.get(name, _NOTHING), walk)

    return column


def _part(name: str, kind: Any) -> _Column:
    cls = kind.of

    def read(row: Any, around: _Row, absent: _Trie, walk: _Walk) -> Any:
        at, stable = f"{around['at']}/{name}", f"{around['stable']}/{name}"
        if type(row) is list:
            return kinds.none_of(cls, at, stable)
        if "absent" in row:
            return fields.absence(row)
        if "none" in row:
            _check_none(row, kind)
            return kinds.none_of(cls, at, stable)
        if "reason" in row:
            raise _Unsure
        row["at"], row["stable"] = at, stable
        if "by_id" in around:
            row["by_id"] = False
        return _nodes(cls, [row], absent, walk)[0]

    return _inner(name, read)


def _items(name: str, kind: Any) -> _Column:
    cls = kind.of

    def read(rows: Any, around: _Row, absent: _Trie, walk: _Walk) -> Any:
        if type(rows) is not list:
            if "absent" in rows:
                return fields.absence(rows)
            _check_none(rows, kind)
            return ()
        if not rows:
            return ()
        walk.items += len(rows)
        at, stable = f"{around['at']}/{name}", f"{around['stable']}/{name}"
        ids = [row["id"] for row in rows if "id" in row]
        if len(set(ids)) != len(ids):
            raise _Unsure  # two items with one id
        walk.idents += ids
        if len(ids) == len(rows) and "by_id" not in around:
            for row, step, ident in zip(rows, _STEPS, ids, strict=False):
                row["at"], row["stable"] = at + step, f"{stable}/{ident}"
        else:
            for row, step in zip(rows, _STEPS, strict=False):
                row["at"] = at + step
                row["stable"] = f"{stable}/{row['id']}" if "id" in row else stable + step
                if "id" not in row or "by_id" in around:
                    row["by_id"] = False
        return tuple(_nodes(cls, rows, absent.get("*", _NOTHING), walk))

    return _inner(name, read)


def _check_none(row: _Row, kind: kinds.Part | kinds.Items) -> None:
    if not kind.may_be_none or row.get("none") is not True or len(row) > 1:
        raise _Unsure


def _take_absences(cls: type, rows: list[_Row], names: set[str]) -> list[tuple[_Row, str, Absent]]:
    """Take absences of plain values out of the rows, so that the rest can be read as if they were not there."""
    return [
        (row, name, fields.absence(msgspec.to_builtins(row.pop(name))))
        for name in names & _plain(cls)
        for row in rows
        if type(row.get(name)) is _Absence
    ]


def _put_not_collected(rows: list[_Row], absent: _Trie) -> None:
    listed = {name: NOT_COLLECTED for name, inner in absent.items() if name and "" in inner}
    for row in rows:
        if not listed.keys().isdisjoint(row):
            raise _Unsure  # sent all the same: a notice is due
        row.update(listed)


def _check_scores(rows: list[_Row], _: _Trie, __: _Walk) -> None:
    for row in rows:
        if "agitation_score" in row and "agitation_scale" in row:
            low, high = fields.SCORES[row["agitation_scale"]]
            if not low <= row["agitation_score"] <= high:
                raise _Unsure


def _cap_ages(rows: list[_Row], _: _Trie, __: _Walk) -> None:
    for row in rows:
        if row["unit"] == "a" and row["value"] > 89:
            row["value"] = 90


_COLUMNS: dict[type[kinds.Kind], Callable[[str, Any], _Column]] = {
    kinds.Time: _times,
    kinds.Num: _numbers,
    kinds.Ident: _idents,
    kinds.Codes: _words,
    kinds.Part: _part,
    kinds.Items: _items,
}
#: What goes beyond one member.
_CHECKS: dict[type, tuple[_Column, ...]] = {model.VitalSet: (_check_scores,), model.Age: (_cap_ages,)}


def episode(parsed: Parsed, absent: _Trie) -> model.Episode | None:
    """The model of a parsed body, whose ``value`` it uses up; None when something is not plainly good.

    ``absent`` is the trie of ``not_collected``.
    """
    row = parsed.value
    if _too_deep(row.get("extensions"), strict_json.MOST_LEVELS - 1):
        return None
    for name in ASIDE:
        row.pop(name, None)
    walk = _Walk(_absent_names(parsed.written) if parsed.absences else set())
    try:
        row["at"] = row["stable"] = ""
        (read,) = _nodes(model.Episode, [row], absent, walk)
        not_of_ids = "".join(walk.idents).encode().translate(None, _IDENT_BYTES)
    except Exception:  # noqa: BLE001 - whatever is odd, the strict reader says what it is
        return None
    return None if not_of_ids or walk.items > MOST_ITEMS_IN_ALL else read


def _too_deep(value: Any, levels: int) -> bool:
    """Whether objects and lists nest deeper than so many levels."""
    if type(value) is dict:
        return levels == 0 or any(_too_deep(inner, levels - 1) for inner in value.values())
    if type(value) is list:
        return levels == 0 or any(_too_deep(inner, levels - 1) for inner in value)
    return False
