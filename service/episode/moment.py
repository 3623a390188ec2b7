"""A charted time."""

from __future__ import annotations

import math
from datetime import datetime
from typing import Self

import msgspec


class Moment(msgspec.Struct, frozen=True, eq=False, gc=False):
    """A time with an offset: its RFC 3339 ``text`` as charted, and its ``epoch``, whole seconds since 1970-01-01T00:00:00Z.

    A record has hundreds of times, and facts need only the epoch, so a
    ``datetime`` is made only where a time is shown. Two are equal when they
    are the same instant, whatever their offsets.
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
        """The date and time in the offset it was charted in."""
        return _read(self.text)


def _read(text: str) -> datetime:
    return datetime.fromisoformat(text.upper())
