"""The same reading in one pass, for bodies that are plainly good.

Most bodies are: then marshmallow, the size check and the builder of
``episode_json`` would each walk the same tree again. This module walks it
once. At the first thing that is not plainly good it gives up (``None``), and
the body is read again from its bytes by the strict parser and marshmallow,
which own every refusal and every message. ``tests/intake/test_quick.py`` holds
that the two never differ on what this one accepts.

Equal member names: the fast parser keeps the last one without a word, so the
separators are counted. Without a backslash in the body, the colons of the
text are those between names and values and those inside values; the walk
knows both numbers.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import orjson

from service.episode import kinds, model
from service.episode.kinds import NOT_COLLECTED, Moment

from . import fields

_IDENT = re.compile(kinds.ID_PATTERN.strip("^$"), re.ASCII).fullmatch
_new = object.__new__
_set = object.__setattr__


class _Unsure(Exception):
    """Not plainly good."""


class _Walk:
    """What one walk counts: members of objects, colons inside values, items of lists; and the times it has read."""

    __slots__ = ("colons", "items", "members", "times")

    def __init__(self) -> None:
        self.members = self.colons = self.items = 0
        self.times: dict[str, Moment] = {}


_Reader = Callable[[Any, str, str, bool, dict[str, Any], _Walk], Any]


def _time(value: Any, walk: _Walk) -> Moment:
    if type(value) is not str:
        raise _Unsure
    walk.colons += value.count(":")
    read = walk.times[value] = _moment(value)
    return read


def _moment(value: str) -> Moment:
    if (
        len(value) == 25
        and value[7] == "-"
        and value[10] == "T"
        and value[13] == value[16] == ":"
        and value[19] in "+-"
        and value[22] == ":"
        and value[23] <= "5"
        and "1950" <= value[:4] <= "2050"
        and value.isascii()
    ):
        return Moment.fromisoformat(value)
    return fields.AwareTime().deserialize(value)  # type: ignore[no-any-return]


def _leaf(spec: kinds.Kind) -> Callable[[Any, _Walk], Any]:
    """A check of one value that returns it or gives up."""
    if isinstance(spec, kinds.Int):
        low, high = spec.low, spec.high

        def whole(value: Any, _: _Walk) -> int:
            if type(value) is int and low <= value <= high:
                return value
            raise _Unsure

        return whole
    if isinstance(spec, kinds.Num):
        least, most = spec.low, spec.high

        def number(value: Any, _: _Walk) -> float:
            if (type(value) is float or type(value) is int) and least <= value <= most:
                return float(value)
            raise _Unsure

        return number
    if isinstance(spec, kinds.Flag):

        def flag(value: Any, _: _Walk) -> bool:
            if value is True or value is False:
                return value
            raise _Unsure

        return flag
    if isinstance(spec, kinds.Code):
        words = frozenset(spec.words)

        def word(value: Any, _: _Walk) -> str:
            if type(value) is str and value in words:
                return value
            raise _Unsure

        return word
    if isinstance(spec, kinds.Codes):
        known, repeats = frozenset(spec.words), spec.repeats

        def listed(value: Any, _: _Walk) -> tuple[str, ...]:
            if (
                type(value) is list
                and known.issuperset(value)
                and (len(set(value)) == len(value) or (repeats and len(value) <= fields.MOST_WORDS))
            ):
                return tuple(value)
            raise _Unsure

        return listed
    if isinstance(spec, kinds.Text):
        longest = spec.longest

        def text(value: Any, walk: _Walk) -> str:
            if type(value) is str and len(value) <= longest:
                walk.colons += value.count(":")
                return value
            raise _Unsure

        return text
    if isinstance(spec, kinds.Ident):

        def ident(value: Any, _: _Walk) -> str:
            if type(value) is str and _IDENT(value):
                return value
            raise _Unsure

        return ident
    return _time


def _reader(spec: kinds.Kind) -> _Reader:
    if isinstance(spec, kinds.Items):
        return _or_none(_items(spec.of), lambda at, stable: ()) if spec.may_be_none else _items(spec.of)
    if isinstance(spec, kinds.Part):
        cls = spec.of
        node = _node(cls)
        return _or_none(node, lambda at, stable: kinds.none_of(cls, at, stable)) if spec.may_be_none else node
    leaf = _leaf(spec)
    return lambda value, at, stable, by_id, absent, walk: leaf(value, walk)


def _or_none(read: _Reader, none: Callable[[str, str], Any]) -> _Reader:
    """The reader of a section that may say that there was none of it."""

    def either(value: Any, at: str, stable: str, by_id: bool, absent: dict[str, Any], walk: _Walk) -> Any:
        if not value:
            if type(value) is list:
                return none(at, stable)
        elif type(value) is dict and value.get("none") is True and len(value) == 1:
            walk.members += 1
            return none(at, stable)
        return read(value, at, stable, by_id, absent, walk)

    return either


def _node(cls: type) -> _Reader:
    """The reader of one class; its members are looked up when it is first used."""
    leaves: dict[str, Callable[[Any, _Walk], Any]] = {}
    deep: dict[str, tuple[_Reader, bool]] = {}
    words: dict[str, frozenset[str]] = {}
    whole: dict[str, range] = {}
    times: set[str] = set()
    required = [m.name for m in kinds.members(cls) if m.required]
    for member in kinds.members(cls):
        if isinstance(member.kind, (kinds.Items, kinds.Part)):
            deep[member.name] = (_reader(member.kind), isinstance(member.kind, kinds.Items))
        else:
            leaves[member.name] = _leaf(member.kind)
        # The three commonest are looked at here, without a call.
        if isinstance(member.kind, kinds.Code):
            words[member.name] = frozenset(member.kind.words)
        elif isinstance(member.kind, kinds.Int):
            whole[member.name] = range(member.kind.low, member.kind.high + 1)
        elif isinstance(member.kind, kinds.Time):
            times.add(member.name)
    leaf_of, deep_of, words_of, whole_of = leaves.get, deep.get, words.get, whole.get
    is_vital, is_age = cls is model.VitalSet, cls is model.Age

    def read(data: Any, at: str, stable: str, by_id: bool, absent: dict[str, Any], walk: _Walk) -> Any:
        if type(data) is not dict:
            raise _Unsure
        walk.members += len(data)
        out: dict[str, Any] = {"at": at, "stable": stable, "by_id": by_id}
        for name, value in data.items():
            kind = type(value)
            if kind is str:
                if value in words_of(name, _NO_WORDS):
                    out[name] = value
                    continue
                if name in times and (known := walk.times.get(value)) is not None:
                    walk.colons += value.count(":")
                    out[name] = known
                    continue
            elif kind is int:
                if value in whole_of(name, _NO_WORDS):
                    out[name] = value
                    continue
            elif kind is dict and "absent" in value:
                if (name not in leaves and name not in deep) or name in required:
                    raise _Unsure
                walk.members += len(value)
                out[name] = fields.absence(value)
                continue
            leaf = leaf_of(name)
            if leaf is not None:
                out[name] = leaf(value, walk)
                continue
            found = deep_of(name)
            if found is None:
                raise _Unsure
            if absent:
                inner = absent.get(name, _NO_TRIE)
                out[name] = found[0](
                    value,
                    f"{at}/{name}",
                    f"{stable}/{name}",
                    by_id,
                    inner.get("*", _NO_TRIE) if found[1] else inner,
                    walk,
                )
            else:
                out[name] = found[0](value, f"{at}/{name}", f"{stable}/{name}", by_id, _NO_TRIE, walk)
        for name in required:
            if name not in out:
                raise _Unsure
        if absent:
            for name, inner in absent.items():
                if name and "" in inner:
                    if name in data:
                        raise _Unsure  # a notice is due
                    out[name] = NOT_COLLECTED
        if is_vital:
            _check_score(out)
        elif is_age and out["unit"] == "a" and out["value"] > 89:
            out["value"] = 90
        node: Any = _new(cls)
        _set(node, "__dict__", out)
        return node

    return read


_NO_TRIE: dict[str, Any] = {}
_NO_WORDS: frozenset[Any] = frozenset()


def _check_score(vital: dict[str, Any]) -> None:
    score, scale = vital.get("agitation_score"), vital.get("agitation_scale")
    if type(score) is int and type(scale) is str:
        low, high = fields.SCORES[scale]
        if not low <= score <= high:
            raise _Unsure


def _items(cls: type) -> _Reader:
    read = _node(cls)

    def listed(data: Any, at: str, stable: str, by_id: bool, absent: dict[str, Any], walk: _Walk) -> Any:
        if type(data) is not list or len(data) > 2000:
            raise _Unsure
        walk.items += len(data)
        out = []
        seen = set()
        for index, item in enumerate(data):
            ident = item["id"] if type(item) is dict and "id" in item else None
            if type(ident) is str:
                seen.add(ident)
                out.append(read(item, f"{at}/{index}", f"{stable}/{ident}", by_id, absent, walk))
            else:
                out.append(read(item, f"{at}/{index}", f"{stable}/{index}", False, absent, walk))
        if len(seen) != len(data) and len(seen) != sum(1 for item in data if type(item.get("id")) is str):
            raise _Unsure  # two items with one id
        return tuple(out)

    return listed


#: Members of a body that are no part of the record.
ASIDE = ("not_collected", "accepted", "extensions")

_READ_EPISODE = _node(model.Episode)


def parse(body: bytes) -> dict[str, Any] | None:
    """The parsed object of a body without backslashes, None when the strict parser has to look."""
    if b"\\" in body:
        return None
    try:
        value = orjson.loads(body)
    except orjson.JSONDecodeError:
        return None
    return value if type(value) is dict else None


def episode(value: dict[str, Any], absent: dict[str, Any], body: bytes | None = None) -> model.Episode | None:
    """The model of a parsed body, None when something is not plainly good.

    ``absent`` is the trie of ``not_collected``. ``body``: the bytes that were
    parsed, to see that no name stands twice in them; None for a value that a
    reader of ours has made, where none can.
    """
    walk = _Walk()
    data = {name: inner for name, inner in value.items() if name not in ASIDE}
    try:
        if len(data) < len(value):
            for name in ASIDE:
                if name in value:
                    if value[name] is None:
                        return None
                    walk.members += 1
                    _count(value[name], walk)
        read = _READ_EPISODE(data, "", "", True, absent, walk)
    except Exception:  # noqa: BLE001 - whatever is odd, the strict reader says what it is
        return None
    if walk.items > 10_000 or (body is not None and body.count(b":") - walk.colons != walk.members):
        return None
    return read  # type: ignore[no-any-return]


def _count(value: Any, walk: _Walk) -> None:
    """Members and colons of what is not read."""
    if type(value) is str:
        walk.colons += value.count(":")
    elif type(value) is list:
        for inner in value:
            _count(inner, walk)
    elif type(value) is dict:
        walk.members += len(value)
        for name, inner in value.items():
            walk.colons += name.count(":")
            _count(inner, walk)
