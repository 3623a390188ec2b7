"""How the peer reads a body: pydantic's core checks the JSON and makes the objects of the record in one pass.

The schema is made from the one declaration of the members, as the models of ``tests.benchmark.models`` are, and checks
what they check. But it calls the classes of the record themselves, so no second tree of objects is made first, and what
was not sent costs nothing. What is left is to set the place of every object, which facts need. As with those models,
``not_collected``, ``accepted`` and ``extensions`` are refused, and equal names, equal ids, a word that stands twice in a
list, years outside 1950 to 2050, the sum of all lists and the range of a score are not looked for.
"""

from __future__ import annotations

import functools
from collections import deque
from collections.abc import Callable, Sequence
from itertools import repeat
from operator import attrgetter, concat
from typing import Any

from msgspec.structs import force_setattr as set_member
from pydantic_core import SchemaValidator, core_schema

from service.episode import declaration, record
from service.episode.absence import DECLINED_REASONS, MISSING, Absent
from service.episode.declaration import MOST_ITEMS, MOST_WORDS
from service.episode.moment import Moment
from tests.benchmark.models import most_words

Schema = Any
#: Stands for a section of which there was none until its place is known.
_NONE = object()
_STEPS = tuple(f"/{index}" for index in range(MOST_ITEMS))
#: RFC 3339, with an offset.
_TIME = r"^\d{4}-\d\d-\d\d[Tt]\d\d:\d\d:\d\d(\.\d{1,9})?([Zz]|[+-]\d\d:\d\d)$"


#: Seconds since midnight by "HH:MM".
_CLOCK = {f"{hour:02}:{minute:02}": 3600 * hour + 60 * minute for hour in range(24) for minute in range(60)}


class _Times(dict[str, Moment]):
    """Text of a time -> Moment, for one body: it has few days and few offsets, and many of its times are the same."""

    def __init__(self) -> None:
        self._days: dict[str, int] = {}
        self._ends: dict[str, int] = {}

    def __missing__(self, text: str) -> Moment:
        day, clock, end = text[:11], text[11:16], text[16:]
        try:
            epoch = self._days[day] + _CLOCK[clock] + self._ends[end]
        except KeyError:
            midnight = self._days[day] = Moment.of(f"{day}00:00:00Z").epoch
            after = self._ends[end] = Moment.of(f"1970-01-02T00:00{end}").epoch - 86_400
            if clock not in _CLOCK:
                raise ValueError("no such time of day") from None
            epoch = midnight + _CLOCK[clock] + after
        self[text] = read = Moment(text, epoch)
        return read

    def clear(self) -> None:
        super().clear()
        self._days.clear()
        self._ends.clear()


_times = _Times()

# ---------------------------------------------------------------- the schema


def _object(members: dict[str, Schema], required: Sequence[str], make: Callable[..., Any]) -> Schema:
    """An object with those members and no other, and what ``make`` makes of them."""
    fields = {name: core_schema.typed_dict_field(schema, required=name in required) for name, schema in members.items()}
    sent = core_schema.typed_dict_schema(fields, extra_behavior="forbid")
    return core_schema.no_info_after_validator_function(lambda found: make(**found), sent)


def _either(*schemas: Schema) -> Schema:
    """The first that fits."""
    return core_schema.union_schema(list(schemas), mode="left_to_right")


_ABSENCE = _object(
    {
        "absent": core_schema.literal_schema(["not_collected", "declined"]),
        "reason": core_schema.literal_schema(list(DECLINED_REASONS)),
    },
    ["absent"],
    lambda absent, reason=None: Absent(absent, reason),
)


def _said_none(value: object) -> Schema:
    """``{"none": true}``, read as ``value``."""
    return _object({"none": core_schema.literal_schema([True])}, ["none"], lambda none: value)


def _text(sent: str) -> str | Absent:
    return sent if sent.strip() else MISSING


def _list(of: Schema, most: int) -> Schema:
    return core_schema.tuple_schema([of], variadic_item_index=0, max_length=most)


def _plain(kind: declaration.Kind) -> Schema:
    """The schema of a value that holds no object."""
    match kind:
        case declaration.Int():
            return core_schema.int_schema(ge=kind.low, le=kind.high)
        case declaration.Num():
            return core_schema.float_schema(ge=kind.low, le=kind.high, allow_inf_nan=False)
        case declaration.Flag():
            return core_schema.bool_schema()
        case declaration.Code():
            return core_schema.literal_schema(list(kind.words))
        case declaration.Codes():
            return _list(core_schema.literal_schema(list(kind.words)), most_words(kind))
        case declaration.Time():
            text = core_schema.str_schema(pattern=_TIME)
            return core_schema.no_info_after_validator_function(_times.__getitem__, text)
        case declaration.Ident():
            return core_schema.str_schema(pattern=r"^[A-Za-z0-9._-]+$", max_length=declaration.LONGEST_ID)
        case declaration.Idents():
            return _list(_plain(declaration.Ident()), MOST_WORDS)
        case declaration.Text():
            text = core_schema.str_schema(max_length=kind.longest)
            return core_schema.no_info_after_validator_function(_text, text)
    raise TypeError(type(kind).__name__)


def _age(value: float, unit: str, **more: Any) -> record.Age:
    return record.Age(value=min(value, 90) if unit == "a" else value, unit=unit, **more)  # type: ignore[arg-type]


def _class(cls: type, absences: bool) -> Schema:
    """The schema of one class of the record. ``absences``: ``{"absent": ...}`` may stand in place of a value."""

    def value(kind: declaration.Kind) -> list[Schema]:
        """What may stand there, the likeliest first."""
        if isinstance(kind, declaration.Items):
            items = _list(_class(kind.of, absences), MOST_ITEMS)
            return [items, _said_none(())] if kind.may_be_none else [items]
        if isinstance(kind, declaration.Part):
            part = _class(kind.of, absences)
            empty = core_schema.no_info_after_validator_function(lambda _: _NONE, _list(core_schema.any_schema(), 0))
            return [_said_none(_NONE), part, empty] if kind.may_be_none else [part]
        return [_plain(kind)]

    members: dict[str, Schema] = {}
    required: list[str] = []
    for member in declaration.members(cls):
        may = value(member.kind)
        if member.required:
            required.append(member.name)
        elif absences:
            may.append(_ABSENCE)
        members[member.name] = may[0] if len(may) == 1 else _either(*may)
    make = _age if cls is record.Age else cls
    whole = _object(members, required, make)
    for member in declaration.members(cls):
        if member.unless is not None:
            name, words = member.unless
            beside = {**members, name: core_schema.literal_schema(list(words))}
            whole = _either(whole, _object(beside, [one for one in required if one != member.name], make))
    return whole


# ---------------------------------------------------------------- places


@functools.cache
def _holders(cls: type) -> tuple[tuple[str, Callable[[Any], Any], type], ...]:
    """Members that hold objects: (name, what gets it, class)."""
    return tuple(
        (member.name, attrgetter(member.name), member.kind.of)
        for member in declaration.members(cls)
        if isinstance(member.kind, (declaration.Items, declaration.Part))
    )


def _place(cls: type, nodes: Sequence[Any]) -> None:
    """Set the place of everything that objects of one class hold; their own is set."""
    for name, get, inner in _holders(cls):
        for node in nodes:
            value: Any = get(node)
            if type(value) is tuple:
                if value:
                    at = repeat(f"{node.at}/{name}")
                    deque(map(set_member, value, repeat("at"), map(concat, at, _STEPS)), 0)
                    _place(inner, value)
            elif type(value) is inner:
                set_member(value, "at", f"{node.at}/{name}")
                _place(inner, (value,))
            elif value is _NONE:
                set_member(node, name, declaration.none_of(inner, f"{node.at}/{name}"))


def _validator(absences: bool) -> Callable[[bytes], Any]:
    config = core_schema.CoreConfig(strict=True)
    return SchemaValidator(_class(record.Episode, absences), config).validate_json


#: A choice at every member takes time, and most bodies have no use for it.
_validate, _validate_with_absences = _validator(False), _validator(True)


def read(body: bytes) -> record.Episode:
    """The episode of a body of JSON. Raises pydantic's ValidationError."""
    _times.clear()
    absences = b'"absent"' in body or b"\\u" in body  # the word may be written with escapes
    episode: record.Episode = (_validate_with_absences if absences else _validate)(body)
    _place(record.Episode, (episode,))
    return episode
