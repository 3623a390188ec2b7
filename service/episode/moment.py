"""A charted time."""

from __future__ import annotations

import math
from datetime import datetime
from typing import Self

import msgspec


class Moment(msgspec.Struct, frozen=True, eq=False, gc=False):
    """An aware time: its RFC 3339 ``text`` as charted, and its ``epoch``, whole seconds since 1970-01-01T00:00:00Z.

    A record has hundreds, and all that facts ask of one is its epoch. The
    rest of a date is worked out where it is shown. Two are equal when they
    are the same instant, however it is written.
    """

    text: str
    epoch: int

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Moment) and self.when == other.when

    def __hash__(self) -> int:
        return self.epoch

    @classmethod
    def of(cls, text: str) -> Self:
        """The moment of a text. Raises ValueError where the standard library cannot read it, or it has no offset."""
        when = _read(text)
        if when.tzinfo is None:
            raise ValueError("no offset")
        return cls(text, math.floor(when.timestamp()))

    @property
    def when(self) -> datetime:
        """The same as a date and time in the offset it was charted in."""
        return _read(self.text)


def _read(text: str) -> datetime:
    return datetime.fromisoformat(text.upper())
