"""Whether a member of the record can have a value. The readers of other formats ask this for every value.

For most values a look at the declaration of the member shows that it can. For
any other marshmallow is asked, and its answer counts.
"""

from __future__ import annotations

import functools
import re
from collections.abc import Callable
from typing import Any

from marshmallow import ValidationError

from service.episode import declaration
from service.episode.absence import MISSING
from service.episode.moment import Moment
from service.intake.fields import absence
from service.intake.schemas import schema_of

_IDENT = re.compile(declaration.ID_PATTERN.strip("^$"), re.ASCII).fullmatch
_TIME = re.compile(r"(19[5-9]\d|20[0-4]\d)-\d\d-\d\dT\d\d:\d\d:\d\d[+-]\d\d:[0-5]\d", re.ASCII).fullmatch

_Check = Callable[[Any], bool]


def takes(cls: type, name: str, value: Any) -> bool:
    """Whether the member ``name`` of a class of the record can have this value, as our own JSON writes it.

    Raises KeyError for a name that the class does not have.
    """
    if _checks(cls)[name](value) or _is_absence(cls, name, value):
        return True
    try:
        schema_of(cls).fields[name].deserialize(value)
    except ValidationError:
        return False
    return True


def same(cls: type, name: str, one: Any, other: Any) -> bool:
    """Whether two values of a member are read as the same."""
    spec = schema_of(cls).fields[name]
    try:
        return bool(spec.deserialize(one) == spec.deserialize(other))
    except ValidationError:
        return False


@functools.cache
def _checks(cls: type) -> dict[str, _Check]:
    """Member -> a check that is True only for values it can have; False does not mean that it cannot."""
    return {member.name: _check(member.kind) for member in declaration.members(cls)}


def _check(spec: declaration.Kind) -> _Check:
    match spec:
        case declaration.Int(low=low, high=high):
            return lambda value: type(value) is int and low <= value <= high
        case declaration.Num(low=low, high=high):
            return lambda value: type(value) in (int, float) and low <= value <= high
        case declaration.Flag():
            return lambda value: value is True or value is False
        case declaration.Code(words=words):
            known = frozenset(words)
            return lambda value: type(value) is str and value in known
        case declaration.Codes(words=words):
            known = frozenset(words)
            return lambda value: (
                type(value) is list
                and len(value) <= declaration.MOST_WORDS
                and all(type(word) is str and word in known for word in value)
                and len(set(value)) == len(value)
            )
        case declaration.Idents():
            return lambda value: (
                type(value) is list
                and len(value) <= declaration.MOST_WORDS
                and all(type(ident) is str and _IDENT(ident) is not None for ident in value)
                and len(set(value)) == len(value)
            )
        case declaration.Text(longest=longest):
            return lambda value: type(value) is str and len(value) <= longest
        case declaration.Ident():
            return lambda value: type(value) is str and _IDENT(value) is not None
        case declaration.Items(of=cls):
            return lambda value: type(value) is list and all(_is_object(item, cls) for item in value)
        case declaration.Part(of=cls):
            return lambda value: _is_object(value, cls)
        case declaration.Time():
            return _is_time
    raise TypeError(type(spec).__name__)


def _is_object(value: Any, cls: type) -> bool:
    if type(value) is not dict:
        return False
    checks = _checks(cls)
    return not lacks(cls, value) and all(
        name in checks and (checks[name](inner) or _is_absence(cls, name, inner)) for name, inner in value.items()
    )


def _is_absence(cls: type, name: str, value: Any) -> bool:
    if type(value) is not dict or "absent" not in value or declaration.by_name(cls)[name].required:
        return False
    try:
        absence(value)
    except ValidationError:
        return False
    return True


def _is_time(value: Any) -> bool:
    if type(value) is not str or _TIME(value) is None:
        return False
    try:
        Moment.of(value)
    except ValueError:
        return False
    return True


def lacks(cls: type, data: dict[str, Any]) -> bool:
    """Whether an object lacks a member that says which thing it is."""
    return any(member.lacks(lambda name: data.get(name, MISSING)) for member in declaration.members(cls))


def one_of(kind: declaration.Codes | declaration.Idents, value: object) -> bool:
    """Whether a value may stand in a list of words or ids."""
    if isinstance(kind, declaration.Codes):
        return value in kind.words
    return type(value) is str and _IDENT(value) is not None
