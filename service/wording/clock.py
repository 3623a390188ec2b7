"""The times of one record as people write them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import UTC, datetime, timedelta, timezone
from typing import Any

from service.episode import declaration, record
from service.episode.declaration import Node
from service.episode.moment import Moment
from service.episode.pointers import first_time


class Clock:
    """The times of one record, in the offset from UTC of its first time.

    ``charted``: it has a time at all. ``mixed``: its times have several offsets.
    """

    def __init__(self, episode: record.Episode) -> None:
        first = first_time(episode)
        self._offset = (first.when.utcoffset() if first else None) or timedelta(0)
        self._zone = timezone(self._offset)
        every = [moment.when for moment in _times(episode)]
        self.charted = bool(every)
        self.mixed = len({t.utcoffset() for t in every}) > 1
        self._first_day = min((t.astimezone(self._zone).date() for t in every), default=None)

    @property
    def zone(self) -> str:
        """``UTC-06:00``."""
        minutes = round(self._offset.total_seconds() / 60)
        return f"UTC{'-' if minutes < 0 else '+'}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"

    @property
    def day(self) -> str:
        """The day on which the record begins, YYYY-MM-DD; empty when it has no time."""
        return self._first_day.isoformat() if self._first_day else ""

    def at(self, seconds: int) -> datetime:
        """Epoch seconds as a time in the record's offset."""
        return datetime.fromtimestamp(seconds, UTC).astimezone(self._zone)

    def text(self, seconds: int) -> str:
        """``22:14``, or ``2031-04-13 00:10`` on any but the first day of the record."""
        time = self.at(seconds)
        shown = f"{time:%H:%M:%S}" if time.second else f"{time:%H:%M}"
        return shown if time.date() == self._first_day else f"{time:%Y-%m-%d} {shown}"

    def span(self, start: int, end: int) -> str:
        """``22:14`` or ``22:14 to 22:31``."""
        return self.text(start) if start == end else f"{self.text(start)} to {self.text(end)}"

    def span_of(self, span: Mapping[str, str]) -> str:
        """``span`` of ``{"from": ..., "to": ...}`` in RFC 3339, as findings have it."""
        return self.span(*(int(datetime.fromisoformat(span[end]).timestamp()) for end in ("from", "to")))


def _times(node: Any) -> Iterator[Moment]:
    for member in declaration.members(type(node)):
        value = getattr(node, member.name)
        for item in value if isinstance(value, tuple) else (value,):
            if isinstance(item, Moment):
                yield item
            elif isinstance(item, Node):
                yield from _times(item)
