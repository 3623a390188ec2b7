"""marshmallow fields as strict as the contract: nothing is converted, errors are codes, no message holds a value."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from typing import Any

from marshmallow import ValidationError, fields

from service.episode import declaration
from service.episode.absence import DECLINED_REASONS, NOT_COLLECTED, Absent
from service.episode.moment import Moment

#: code -> what the caller reads. Nothing here quotes the request.
DETAILS = {
    "missing-member": "This member says which thing the item is and cannot be left out.",
    "null-refused": 'null says nothing. Leave the member out, or send {"absent": "not_collected"} or '
    '{"absent": "declined", "reason": a code}.',
    "not-an-object": "Give an object.",
    "not-a-list": "Give a list.",
    "too-many-items": "The list is too long.",
    "too-many-items-in-all": "The lists of the episode are too long together.",
    "not-a-whole-number": "Give a whole number.",
    "not-a-number": "Give a number.",
    "out-of-range": "The number is outside its physical range.",
    "not-true-or-false": "Give true or false.",
    "not-text": "Give text.",
    "too-long": "The text is too long.",
    "unknown-word": "The word is not in the closed set of this member.",
    "same-word-twice": "A word stands in the list twice.",
    "same-id-twice": "An id stands in the list twice.",
    "not-an-id": "Give 1 to 64 letters, digits, dots, underscores or hyphens.",
    "duplicate-id": "Another item of this list has the same id.",
    "not-a-time": "Give date and time as RFC 3339 with an offset, such as 2031-04-12T18:02:00-06:00.",
    "no-offset": "Give the time with its offset from UTC.",
    "impossible-time": "There is no such date or time.",
    "time-out-of-range": "Times lie between the years 1950 and 2050.",
    "not-an-absence": 'Give {"absent": "not_collected"} or {"absent": "declined", "reason": a code}. Codes: '
    f"{', '.join(DECLINED_REASONS)}.",
    "not-none": 'none stands alone and is true: {"none": true}.',
    "score-out-of-scale": "The scale has no such score.",
    "same-fingerprint-twice": "This fingerprint is accepted a second time.",
    "not-a-fingerprint": "Give a fingerprint as a review states it.",
}

#: First and last year of a time (the bounds of NEMSIS v3.5.1).
YEARS = ("1950", "2050")
#: Lowest and highest score of each agitation scale (RASS: Sessler 2002; SAT: Calver 2011; AMSS; BARS: Swift 2002).
SCORES = {"rass": (-5, 4), "sat": (-3, 3), "amss": (-4, 4), "bars": (1, 7)}

_TIME = re.compile(r"(\d{4})-\d\d-\d\d[Tt]\d\d:\d\d:\d\d(\.\d{1,9})?([Zz]|[+-]\d\d:\d\d)?", re.ASCII)
_IDENT = re.compile(declaration.ID_PATTERN.strip("^$"))


class Strict(fields.Field[Any]):
    """Base of all fields here: our codes for null and for a required member that is missing."""

    default_error_messages = {"required": "missing-member", "null": "null-refused", "validator_failed": "not-an-object"}


class Whole(Strict):
    """A whole number in bounds; 5.0 is one, true is not."""

    def __init__(self, spec: declaration.Int, **more: Any) -> None:
        super().__init__(**more)
        self._low, self._high = spec.low, spec.high

    def _deserialize(self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **kwargs: Any) -> int:
        if type(value) is float and value.is_integer():
            value = int(value)
        if type(value) is not int:
            raise ValidationError("not-a-whole-number")
        if not self._low <= value <= self._high:
            raise ValidationError("out-of-range")
        return value


class Number(Strict):
    """A finite number in bounds."""

    def __init__(self, spec: declaration.Num, **more: Any) -> None:
        super().__init__(**more)
        self._low, self._high = spec.low, spec.high

    def _deserialize(self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **kwargs: Any) -> int | float:
        if type(value) not in (int, float):
            raise ValidationError("not-a-number")
        if not self._low <= value <= self._high or not math.isfinite(value):
            raise ValidationError("out-of-range")
        number: int | float = value
        return number


class Flag(Strict):
    """true or false."""

    def _deserialize(self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **kwargs: Any) -> bool:
        if type(value) is not bool:
            raise ValidationError("not-true-or-false")
        return value


class Word(Strict):
    """One word of a closed set."""

    def __init__(self, spec: declaration.Code, **more: Any) -> None:
        super().__init__(**more)
        self._words = frozenset(spec.words)

    def _deserialize(self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **kwargs: Any) -> str:
        if type(value) is not str:
            raise ValidationError("not-text")
        if value not in self._words:
            raise ValidationError("unknown-word")
        return value


class Words(Strict):
    """A list of words of a closed set, each once unless the member takes repeats."""

    def __init__(self, spec: declaration.Codes, **more: Any) -> None:
        super().__init__(**more)
        self._words = frozenset(spec.words)
        self._repeats = spec.repeats

    def _deserialize(
        self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **kwargs: Any
    ) -> tuple[str, ...]:
        if type(value) is not list:
            raise ValidationError("not-a-list")
        if len(value) > declaration.MOST_WORDS if self._repeats else len(value) > len(self._words):
            raise ValidationError("too-many-items")
        slips: dict[int, list[str]] = {}
        for index, word in enumerate(value):
            if type(word) is not str:
                slips[index] = ["not-text"]
            elif word not in self._words:
                slips[index] = ["unknown-word"]
            elif not self._repeats and word in value[:index]:
                slips[index] = ["same-word-twice"]
        if slips:
            raise ValidationError(slips)
        return tuple(value)


class Text(Strict):
    """Free text up to a number of Unicode code points."""

    def __init__(self, spec: declaration.Text, **more: Any) -> None:
        super().__init__(**more)
        self._longest = spec.longest

    def _deserialize(self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **kwargs: Any) -> str:
        if type(value) is not str:
            raise ValidationError("not-text")
        if len(value) > self._longest:
            raise ValidationError("too-long")
        return value


class Ident(Strict):
    """An opaque id."""

    def _deserialize(self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **kwargs: Any) -> str:
        if type(value) is not str:
            raise ValidationError("not-text")
        if not _IDENT.fullmatch(value):
            raise ValidationError("not-an-id")
        return value


class Idents(Strict):
    """A list of opaque ids, each once."""

    def _deserialize(
        self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **kwargs: Any
    ) -> tuple[str, ...]:
        if type(value) is not list:
            raise ValidationError("not-a-list")
        if len(value) > declaration.MOST_WORDS:
            raise ValidationError("too-many-items")
        slips: dict[int, list[str]] = {}
        for index, ident in enumerate(value):
            if type(ident) is not str:
                slips[index] = ["not-text"]
            elif not _IDENT.fullmatch(ident):
                slips[index] = ["not-an-id"]
            elif ident in value[:index]:
                slips[index] = ["same-id-twice"]
        if slips:
            raise ValidationError(slips)
        return tuple(value)


def read_time(text: str) -> Moment:
    """An RFC 3339 time with offset, in the years of ``YEARS``. Raises ValidationError with one of our codes."""
    match = _TIME.fullmatch(text)
    if match is None:
        raise ValidationError("not-a-time")
    if match.group(3) is None:
        raise ValidationError("no-offset")
    if match.group(3)[-2:] > "59" and len(match.group(3)) > 1:
        raise ValidationError("impossible-time")  # the standard library would read an offset of +01:75 as +02:15
    try:
        time = Moment.of(text)
    except ValueError:
        raise ValidationError("impossible-time") from None
    if not YEARS[0] <= text[:4] <= YEARS[1]:
        raise ValidationError("time-out-of-range")
    return time


class AwareTime(Strict):
    """A time with an offset."""

    def _deserialize(self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **kwargs: Any) -> Moment:
        if type(value) is not str:
            raise ValidationError("not-text")
        return read_time(value)


class Items(Strict):
    """A list of objects of one schema."""

    def __init__(self, inner: fields.Nested, may_be_none: bool, **more: Any) -> None:
        super().__init__(**more)
        self._inner, self._may_be_none = inner, may_be_none

    def _deserialize(self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **kwargs: Any) -> list[Any]:
        if self._may_be_none and type(value) is dict and "none" in value:
            if value != {"none": True} or value["none"] is not True:
                raise ValidationError("not-none")
            return []
        if type(value) is not list:
            raise ValidationError("not-a-list")
        out, slips = [], {}
        for index, item in enumerate(value):
            try:
                out.append(self._inner.deserialize(item))
            except ValidationError as error:
                slips[index] = error.messages
        if slips:
            raise ValidationError(slips)
        return out


class Part(Strict):
    """One nested object; where a section may be empty also ``{"none": true}`` or an empty list."""

    def __init__(self, inner: fields.Nested, may_be_none: bool, **more: Any) -> None:
        super().__init__(**more)
        self._inner, self._may_be_none = inner, may_be_none

    def _deserialize(self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **kwargs: Any) -> Any:
        if self._may_be_none:
            if value == [] and type(value) is list:
                return {"none": True}
            if type(value) is dict and "none" in value:
                if value != {"none": True} or value["none"] is not True:
                    raise ValidationError("not-none")
                return {"none": True}
        return self._inner.deserialize(value)


class OrAbsent(Strict):
    """The inner field, or ``{"absent": ...}`` in its place."""

    def __init__(self, inner: fields.Field[Any], **more: Any) -> None:
        super().__init__(**more)
        self._inner = inner

    def _deserialize(self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **kwargs: Any) -> Any:
        if type(value) is dict and "absent" in value:
            return absence(value)
        return self._inner.deserialize(value)


def absence(value: dict[str, Any]) -> Absent:
    """What ``{"absent": ...}`` stands for. Raises ValidationError ``not-an-absence`` for any other object."""
    if value == {"absent": "not_collected"}:
        return NOT_COLLECTED
    reason = value.get("reason")
    if value.get("absent") == "declined" and len(value) == 2 and type(reason) is str and reason in DECLINED_REASONS:
        return Absent("declined", reason)
    raise ValidationError("not-an-absence")
