"""The same episode as pydantic and msgspec models, generated from the one declaration of its members.

They check what those libraries check well: types, bounds, words, lengths,
patterns, required and unknown members. What this service's reading does
beyond that they do not do: equal member names, ids unique in a list, the sum
of all lists, scores within their scale, a pointer for every object, the
digest of the input, ``not_collected`` and ``accepted``. In both, an absence or ``none`` may stand where the
contract allows it. msgspec cannot tell two untagged objects apart, so there
the members of an absence belong to every object that may be absent.
"""

from __future__ import annotations

import functools
import hashlib
import json
from datetime import datetime
from typing import Annotated, Any, Literal

import orjson

from service.episode import declaration, record
from service.episode.absence import DECLINED_REASONS, MISSING, Absent
from service.episode.declaration import MOST_ITEMS, MOST_WORDS, Node
from service.episode.moment import Moment

_REASONS = Literal[DECLINED_REASONS]  # type: ignore[valid-type]
_STATES = Literal["not_collected", "declined"]


def words(kind: declaration.Code | declaration.Codes) -> Any:
    """The type of one word."""
    return Literal[kind.words]


def most_words(kind: declaration.Codes) -> int:
    """How many words a list of them may hold."""
    return MOST_WORDS if kind.repeats else len(kind.words)


# ---------------------------------------------------------------- pydantic


@functools.cache
def pydantic_model(cls: type = record.Episode) -> Any:
    """The pydantic model of one class of the record, strict and frozen."""
    import pydantic
    from pydantic import Field

    config = pydantic.ConfigDict(extra="forbid", strict=True, frozen=True)

    @functools.cache
    def absence() -> Any:
        return pydantic.create_model(
            "Absence", __config__=config, absent=(_STATES, ...), reason=(_REASONS | None, None)
        )

    @functools.cache
    def nothing() -> Any:
        return pydantic.create_model("Nothing", __config__=config, none=(Literal[True], ...))

    def value(kind: declaration.Kind) -> Any:
        match kind:
            case declaration.Int():
                return Annotated[int, Field(ge=kind.low, le=kind.high)]
            case declaration.Num():
                return Annotated[float, Field(ge=kind.low, le=kind.high, allow_inf_nan=False)]
            case declaration.Flag():
                return bool
            case declaration.Code():
                return words(kind)
            case declaration.Codes():
                return Annotated[list[words(kind)], Field(max_length=most_words(kind))]  # type: ignore[misc]
            case declaration.Time():
                return pydantic.AwareDatetime
            case declaration.Ident():
                return Annotated[str, Field(pattern=declaration.ID_PATTERN)]
            case declaration.Idents():
                return Annotated[list[value(declaration.Ident())], Field(max_length=MOST_WORDS)]  # type: ignore[misc]
            case declaration.Text():
                return Annotated[str, Field(max_length=kind.longest)]
            case declaration.Items():
                return Annotated[list[pydantic_model(kind.of)], Field(max_length=MOST_ITEMS)]  # type: ignore[misc]
            case declaration.Part():
                return pydantic_model(kind.of)
        raise TypeError(type(kind).__name__)

    made: dict[str, Any] = {}
    for member in declaration.members(cls):
        if member.required:
            made[member.name] = (value(member.kind), ...)
            continue
        either = value(member.kind) | absence()
        if getattr(member.kind, "may_be_none", False):
            either = either | nothing()
        # The likely one first, and the first that fits: the quickest way the library has.
        made[member.name] = (Annotated[either, Field(union_mode="left_to_right")], None)
    return pydantic.create_model(cls.__name__, __config__=config, **made)


def _different(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        raise ValueError("two members of one name")
    return found


def pydantic_and_digest(body: bytes) -> tuple[Any, str]:
    """What pydantic takes for two more of this service's promises: no equal names, and the digest of the sorted JSON.

    The usual way to either. Still without pointers, and ids that are unique in their list.
    """
    value = json.loads(body, object_pairs_hook=_different)
    digest = hashlib.sha256(orjson.dumps(value, option=orjson.OPT_SORT_KEYS)).hexdigest()
    return pydantic_model().model_validate_json(body), f"v1:{digest}"


# ---------------------------------------------------------------- msgspec


@functools.cache
def msgspec_model(cls: type = record.Episode) -> Any:
    """The msgspec struct of one class of the record."""
    import msgspec
    from msgspec import Meta

    unset = msgspec.UnsetType
    extra: dict[str, Any] = {"absent": _STATES, "reason": _REASONS, "none": bool}

    @functools.cache
    def absence() -> Any:
        return msgspec.defstruct(
            "Absence",
            [(name, type_ | unset, msgspec.UNSET) for name, type_ in extra.items()],
            forbid_unknown_fields=True,
            frozen=True,
        )

    def value(kind: declaration.Kind) -> Any:
        match kind:
            case declaration.Int():
                return Annotated[int, Meta(ge=kind.low, le=kind.high)]
            case declaration.Num():
                return Annotated[float, Meta(ge=kind.low, le=kind.high)]
            case declaration.Flag():
                return bool
            case declaration.Code():
                return words(kind)
            case declaration.Codes():
                return Annotated[list[words(kind)], Meta(max_length=most_words(kind))]  # type: ignore[misc]
            case declaration.Time():
                return Annotated[datetime, Meta(tz=True)]
            case declaration.Ident():
                return Annotated[str, Meta(pattern=declaration.ID_PATTERN)]
            case declaration.Idents():
                return Annotated[list[value(declaration.Ident())], Meta(max_length=MOST_WORDS)]  # type: ignore[misc]
            case declaration.Text():
                return Annotated[str, Meta(max_length=kind.longest)]
            case declaration.Items():
                return Annotated[list[msgspec_model(kind.of)], Meta(max_length=MOST_ITEMS)]  # type: ignore[misc]
            case declaration.Part():
                return msgspec_model(kind.of)
        raise TypeError(type(kind).__name__)

    made: list[Any] = []
    for member in declaration.members(cls):
        if member.required:
            made.append((member.name, value(member.kind)))
        elif isinstance(member.kind, declaration.Part):
            made.append((member.name, value(member.kind) | unset, msgspec.UNSET))
        else:
            made.append((member.name, value(member.kind) | absence() | unset, msgspec.UNSET))
    taken = {member.name for member in declaration.members(cls)}
    made += [(name, type_ | unset, msgspec.UNSET) for name, type_ in extra.items() if name not in taken]
    return msgspec.defstruct(cls.__name__, made, forbid_unknown_fields=True, frozen=True, kw_only=True)


# ---------------------------------------------------------------- the same object


def plain(value: Any, kind: declaration.Kind | type = record.Episode) -> Any:
    """An object of either library, or of ours, as plain data: the same data when they read the same thing."""
    if value is None or value is MISSING or type(value).__name__ == "UnsetType":
        return None
    if isinstance(value, Absent):
        return {"absent": value.state, "reason": value.reason}
    if isinstance(kind, type):
        return {member.name: plain(getattr(value, member.name), member.kind) for member in declaration.members(kind)}
    if getattr(value, "absent", None):
        return {"absent": value.absent, "reason": value.reason or None}
    if not isinstance(value, Node) and getattr(value, "none", None):
        return [] if isinstance(kind, declaration.Items) else plain(declaration.none_of(kind.of, ""), kind.of)  # type: ignore[attr-defined]
    match kind:
        case declaration.Time():
            return value.epoch if isinstance(value, Moment) else int(value.timestamp())
        case declaration.Codes() | declaration.Idents():
            return list(value)
        case declaration.Num():
            return float(value)
        case declaration.Items():
            return [plain(item, kind.of) for item in value]
        case declaration.Part():
            return plain(value, kind.of)
    return value
