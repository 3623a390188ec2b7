"""A fast way to read a body in which nothing is wrong.

The strict parser, the size check, marshmallow and the builder of ``episode_json`` each walk the same tree in turn,
and most bodies give none of them anything to say. Here msgspec parses the bytes straight into the objects of the
record and checks types, bounds, words and lengths of every member on the way, in C. What is left (times, places,
absences, ids) is done for one member of all items of a list at a time.

Wherever there is anything to say, an error or a notice, this gives up: the result is None, and the body is read again
from its bytes by the strict parser and marshmallow, which own every refusal and every message. A test holds that the
two never differ on what this one accepts.

msgspec refuses unknown members, but of two members with one name it keeps the last without an error. So the record is
written again, which the digest needs anyway, and the colons are counted: a member that was dropped took at least its
own colon with it, and nothing adds one.

The objects are frozen for everybody else; while they are read, their members are set here.
"""

from __future__ import annotations

import collections
import functools
import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import repeat
from operator import attrgetter, concat, itemgetter
from typing import Annotated, Any

import msgspec
import orjson
from msgspec import UNSET, Meta, UnsetType
from msgspec.structs import force_setattr as set_member

from service.episode import declaration, record
from service.episode.absence import DECLINED_REASONS, MISSING, NOT_COLLECTED, Absent, Partial
from service.episode.declaration import MOST_ITEMS, MOST_ITEMS_IN_ALL, Absence
from service.episode.moment import Moment

from . import fields, strict_json


class _GiveUp(Exception):
    """The strict reader has to look: it may have an error or a notice to give."""


# ---------------------------------------------------------------- parse

#: Members of a body that are no part of the record; ``episode_json`` checks what is in them.
ASIDE: dict[str, Any] = {
    "accepted": Annotated[list[Any], Meta(max_length=MOST_ITEMS)],
    "extensions": bool | int | float | str | list[Any] | dict[str, Any],
    "not_collected": Annotated[list[Any], Meta(max_length=MOST_ITEMS)],
}
_NAMES = tuple(member.name for member in declaration.members(record.Episode))


def _body() -> Any:
    """The struct of a body: the members of an episode and those of ``ASIDE``."""
    found: list[Any] = [(name, sent | UnsetType, UNSET) for name, sent in ASIDE.items()]
    for member in declaration.members(record.Episode):
        found.append((member.name, member.sent()) if member.required else (member.name, member.sent(), MISSING))
    found.sort(key=itemgetter(0))
    return msgspec.defstruct("Body", found, kw_only=True, gc=False, forbid_unknown_fields=True, omit_defaults=True)


_BODY = _body()
_decode = msgspec.json.Decoder(_BODY).decode
# The fields of a struct are in alphabetical order, so only dictionaries have to be sorted.
_encode = msgspec.json.Encoder(order="deterministic").encode


@dataclass(frozen=True, slots=True)
class Parsed:
    """A body whose members have the right types, and of which nothing was dropped.

    ``aside``: the members of ``ASIDE`` that were sent. ``written``: the body
    without ``accepted``, in canonical form. ``absences``: an ``{"absent": ...}``
    may stand in place of a plain value.
    """

    episode: record.Episode
    aside: dict[str, Any]
    written: bytes
    absences: bool


def parse(body: bytes) -> Parsed | None:
    """The parsed body, None where the strict parser has to look. Raises MemoryError (``strict_json.make_room``)."""
    strict_json.make_room(body)
    if b"\\" in body and (b"\\u003a" in body or b"\\u003A" in body):
        return None  # written as escapes, colons would not be counted
    try:
        sent = _decode(body)
        colons = body.count(b":")
        aside = {name: value for name in ASIDE if (value := getattr(sent, name)) is not UNSET}
        if "accepted" in aside:
            sent.accepted = UNSET
            colons -= orjson.dumps({"accepted": aside["accepted"]}).count(b":")
        if "extensions" in aside:
            # They may hold any number, and msgspec and orjson write some differently: orjson writes the digest.
            sent.extensions = msgspec.Raw(orjson.dumps(aside["extensions"], option=orjson.OPT_SORT_KEYS))
        written = _encode(sent)
    except Exception:  # noqa: BLE001 - the strict reader finds out what is wrong and says so
        return None
    if written.count(b":") != colons:
        return None
    # The word "absent" may be written with escapes.
    absences = b"absent" in body or b"\\" in body
    return Parsed(record.Episode(**{name: getattr(sent, name) for name in _NAMES}), aside, written, absences)


def _every_name(cls: type) -> frozenset[str]:
    inner = [m.kind.of for m in declaration.members(cls) if isinstance(m.kind, (declaration.Items, declaration.Part))]
    return frozenset(m.name for m in declaration.members(cls)).union(*map(_every_name, inner))


#: Names of all members of the record.
_EVERY_NAME = _every_name(record.Episode)


def _absent_names(written: bytes) -> set[str]:
    """Names of the members with ``{"absent": ...}`` for a value, found in the canonical form."""
    before = written.split(b'":{"absent":')[:-1]
    return {text[text.rindex(b'"') + 1 :].decode() for text in before}


# ---------------------------------------------------------------- times

_DAY = 86_400
#: Seconds since midnight by "HH:MM".
_CLOCK = {f"{h:02}:{m:02}": 3600 * h + 60 * m for h in range(24) for m in range(60)}


class _Days(dict[str, int]):
    """Date up to the "T" -> epoch of its midnight in UTC; read when first asked for. Raises ValidationError."""

    def __missing__(self, day: str) -> int:
        self[day] = midnight = fields.read_time(f"{day}00:00:00Z").epoch
        return midnight


class _Ends(dict[str, int]):
    """What follows the minutes, such as ":30-06:00" -> seconds to add; read when first asked for. Raises ValidationError."""

    def __missing__(self, end: str) -> int:
        self[end] = after = fields.read_time(f"1970-01-02T00:00{end}").epoch - _DAY
        return after


#: An absence in place of a time stays as it is.
_DECLINED = [Absent("declined", reason) for reason in DECLINED_REASONS]
_ABSENT = {absent: absent for absent in (MISSING, NOT_COLLECTED, *_DECLINED)}


class _Times(dict[Any, Any]):
    """Text of a time -> Moment, and an absence -> itself, for one body. Raises KeyError or ValidationError.

    A body has few days and few offsets. The strict field reads each of them
    once; the epoch of a time is the sum of its day, its clock and its offset.
    """

    __slots__ = ("_days", "_ends")

    def __init__(self) -> None:
        super().__init__(_ABSENT)
        self._days, self._ends = _Days(), _Ends()

    def __missing__(self, text: str) -> Moment:
        epoch = self._days[text[:11]] + _CLOCK[text[11:16]] + self._ends[text[16:]]
        self[text] = read = Moment(text, epoch)
        return read


# ---------------------------------------------------------------- finishing the objects

_Trie = dict[str, Any]
_STEPS = tuple(f"/{index}" for index in range(MOST_ITEMS))
_IDENT_BYTES = bytes(code for code in range(128) if re.fullmatch(declaration.ID_PATTERN, chr(code)))
_NOTHING: _Trie = {}


class _Walk:
    """The state of one walk over the objects of a body."""

    __slots__ = ("absent_names", "idents", "items", "of_a_table", "times")

    def __init__(self, absent_names: frozenset[str] | set[str], *, of_a_table: bool = False) -> None:
        #: What is not collected is the table of a format, so a member that was sent all the same is no surprise.
        self.of_a_table = of_a_table
        #: Names of the members that may hold an ``Absence``.
        self.absent_names = absent_names
        #: All ids and number of all list items: checked at the end.
        self.idents: set[Any] = set()
        self.items = 0
        self.times = _Times()


#: Gives the value of the record for one that was sent: (value, place of its object, what is not collected there, walk).
_Finish = Callable[[Any, str, _Trie, _Walk], Any]
_Get = Callable[[Any], Any]


@dataclass(frozen=True, slots=True)
class _Plan:
    """What is left to do with the objects of one class. Members that are not in here stay as they were parsed."""

    times: tuple[tuple[str, _Get], ...]
    idents: tuple[_Get, ...]
    others: tuple[tuple[str, _Get, _Finish], ...]
    check: Callable[[Sequence[Any]], None] | None


@functools.cache
def _plan(cls: type) -> _Plan:
    found = [(m, attrgetter(m.name)) for m in declaration.members(cls)]
    return _Plan(
        tuple((m.name, get) for m, get in found if isinstance(m.kind, declaration.Time)),
        # The ids of items are checked with their list (``_items``).
        tuple(get for m, get in found if isinstance(m.kind, declaration.Ident) and m.name != "id"),
        tuple((m.name, get, _FINISH[type(m.kind)](m.name, m.kind)) for m, get in found if type(m.kind) in _FINISH),
        _CHECKS.get(cls),
    )


def _finish(cls: type, nodes: Sequence[Any], absent: _Trie, walk: _Walk) -> None:
    """Finish objects of one class whose ``at`` is set already."""
    if walk.absent_names:
        _set_absences(cls, nodes, walk.absent_names)
    plan, times = _plan(cls), walk.times
    if len(nodes) == 1:
        for name, get in plan.times:
            if (text := get(nodes[0])) is not MISSING:
                set_member(nodes[0], name, times[text])
    else:
        for name, get in plan.times:
            texts = list(map(get, nodes))
            if texts.count(MISSING) < len(texts):
                collections.deque(map(set_member, nodes, repeat(name), map(times.__getitem__, texts)), 0)
    for get in plan.idents:
        walk.idents.update(map(get, nodes))
    for name, get, finish in plan.others:
        for node, value in zip(nodes, map(get, nodes), strict=True):
            if value is not MISSING and (made := finish(value, node.at, absent, walk)) is not value:
                set_member(node, name, made)
    if plan.check is not None:
        plan.check(nodes)
    if absent:
        _set_not_collected(nodes, absent, of_a_table=walk.of_a_table)


@functools.cache
def _plain(cls: type) -> frozenset[str]:
    return frozenset(
        m.name for m in declaration.members(cls) if not isinstance(m.kind, (declaration.Items, declaration.Part))
    )


def _words(_: str, kind: Any) -> _Finish:
    def finish(value: Any, _: str, __: _Trie, ___: _Walk) -> Any:
        if type(value) is tuple and len(set(value)) != len(value) and not kind.repeats:
            raise _GiveUp
        return value

    return finish


def _idents(_: str, __: Any) -> _Finish:
    def finish(value: Any, _: str, __: _Trie, walk: _Walk) -> Any:
        if type(value) is tuple:
            if len(set(value)) != len(value):
                raise _GiveUp
            walk.idents.update(value)
        return value

    return finish


def _text(_: str, __: Any) -> _Finish:
    def finish(value: Any, _: str, __: _Trie, ___: _Walk) -> Any:
        return MISSING if type(value) is str and not value.strip() else value

    return finish


def _part(name: str, kind: Any) -> _Finish:
    cls = kind.of
    names = [member.name for member in declaration.members(cls)]
    required = [member.name for member in declaration.members(cls) if member.required]

    def finish(node: Any, place: str, absent: _Trie, walk: _Walk) -> Any:
        at = f"{place}/{name}"
        if type(node) is list:
            return declaration.none_of(cls, at)
        if _said(node) != _UNSAID:
            if any(getattr(node, name) is not MISSING for name in names):
                raise _GiveUp
            absence = _said_of(kind, node)
            return declaration.none_of(cls, at) if absence is None else absence
        if required and any(getattr(node, name) is MISSING for name in required):
            raise _GiveUp
        set_member(node, "at", at)
        _finish(cls, (node,), absent.get(name, _NOTHING), walk)
        return node

    return finish


_said = attrgetter(*declaration.SAID)
_UNSAID = (UNSET,) * len(declaration.SAID)


def _said_of(kind: declaration.Part | declaration.Items, node: Any) -> Absent | None:
    """The absence that stands in place of a section or a list; None for ``{"none": true}``."""
    said = {word: value for word, value in zip(declaration.SAID, _said(node), strict=True) if value is not UNSET}
    if "absent" in said:
        return fields.absence(said)
    if said != {"none": True} or not kind.may_be_none:
        raise _GiveUp
    return None


def _items(name: str, kind: Any) -> _Finish:
    cls = kind.of

    def finish(nodes: Any, place: str, absent: _Trie, walk: _Walk) -> Any:
        if type(nodes) is not list:
            absence = _said_of(kind, nodes)
            return () if absence is None else absence
        if not nodes:
            return ()
        walk.items += len(nodes)
        ids = [node.id for node in nodes]
        found = set(ids)
        if len(found) != len(ids) and len(found - {MISSING}) != len(ids) - ids.count(MISSING):
            raise _GiveUp  # two items with one id
        walk.idents |= found
        at = f"{place}/{name}"
        collections.deque(map(set_member, nodes, repeat("at"), map(concat, repeat(at), _STEPS)), 0)
        _finish(cls, nodes, absent.get(name, _NOTHING).get("*", _NOTHING), walk)
        return tuple(nodes)

    return finish


def _set_absences(cls: type, nodes: Sequence[Any], names: frozenset[str] | set[str]) -> None:
    """Set an Absent in place of each ``Absence``."""
    for name in names & _plain(cls):
        for node in nodes:
            value = getattr(node, name)
            if type(value) is Absence:
                set_member(node, name, fields.absence(msgspec.to_builtins(value)))


def _set_not_collected(nodes: Sequence[Any], absent: _Trie, *, of_a_table: bool) -> None:
    for name, inner in absent.items():
        if name and "" in inner:
            for node in nodes:
                value = getattr(node, name)
                if value is MISSING:
                    set_member(node, name, NOT_COLLECTED)
                elif not of_a_table:
                    raise _GiveUp  # sent all the same: a notice is due
                elif type(value) is tuple:
                    set_member(node, name, Partial(value))


def _check_scores(vitals: Iterable[record.VitalSet]) -> None:
    for score, scale in set(map(attrgetter("agitation_score", "agitation_scale"), vitals)):
        if type(score) is int and type(scale) is str:
            low, high = fields.SCORES[scale]
            if not low <= score <= high:
                raise _GiveUp


def _check_lacking(cls: type) -> Callable[[Sequence[Any]], None]:
    """A check of the members that may be left out only beside certain words of another one."""
    depending = [(attrgetter(m.name), m) for m in declaration.members(cls) if m.unless is not None]

    def check(nodes: Sequence[Any]) -> None:
        for get, member in depending:
            if MISSING in map(get, nodes) and any(member.lacks(partial(getattr, node)) for node in nodes):
                raise _GiveUp

    return check


def _cap_ages(ages: Iterable[record.Age]) -> None:
    for age in ages:
        if age.unit == "a" and age.value > 89:
            set_member(age, "value", 90)


_FINISH: dict[type[declaration.Kind], Callable[[str, Any], _Finish]] = {
    declaration.Codes: _words,
    declaration.Idents: _idents,
    declaration.Text: _text,
    declaration.Part: _part,
    declaration.Items: _items,
}
#: Checks that need more than one member.
_CHECKS: dict[type, Callable[[Sequence[Any]], None]] = {record.VitalSet: _check_scores, record.Age: _cap_ages}
_CHECKS |= {cls: _check_lacking(cls) for cls in (record.LimbCheck, record.LimbRestraint)}


def episode(parsed: Parsed, absent: _Trie) -> record.Episode | None:
    """The episode of a parsed body, finished in place; None where the strict reader has to look.

    ``absent``: the paths of ``not_collected`` as nested dictionaries of their
    steps; a step at which a path ends has the key "".
    """
    if _too_deep(parsed.aside.get("extensions"), strict_json.MOST_LEVELS - 1):
        return None
    return _finished(parsed.episode, absent, _Walk(_absent_names(parsed.written) if parsed.absences else set()))


def of_value(value: dict[str, Any], absent: _Trie, *, of_a_table: bool) -> record.Episode | None:
    """The episode of a value that a reader of another format built; None where the strict reader has to look.

    ``absent``: the table of what that format has no place for, or the paths that the sender lists.
    """
    try:
        sent = msgspec.convert(value, _BODY)
    except Exception:  # noqa: BLE001 - the strict reader finds out what is wrong and says so
        return None
    made = record.Episode(**{name: getattr(sent, name) for name in _NAMES})
    return _finished(made, absent, _Walk(_EVERY_NAME, of_a_table=of_a_table))


def _finished(made: record.Episode, absent: _Trie, walk: _Walk) -> record.Episode | None:
    try:
        _finish(record.Episode, (made,), absent, walk)
        idents = {i for i in walk.idents if type(i) is str} if walk.absent_names else walk.idents - {MISSING}
        not_of_ids = "".join(idents).encode().translate(None, _IDENT_BYTES)
    except Exception:  # noqa: BLE001 - the strict reader finds out what is wrong and says so
        return None
    return None if not_of_ids or walk.items > MOST_ITEMS_IN_ALL else made


def _too_deep(value: Any, levels: int) -> bool:
    """Whether objects and lists nest deeper than so many levels."""
    if type(value) is dict:
        return levels == 0 or any(_too_deep(inner, levels - 1) for inner in value.values())
    if type(value) is list:
        return levels == 0 or any(_too_deep(inner, levels - 1) for inner in value)
    return False
