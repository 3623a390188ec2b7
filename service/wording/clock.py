"""The times of one record as people write them."""

from __future__ import annotations

import functools
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta, timezone
from typing import Any

from service.episode import declaration, record
from service.episode.absence import Absent
from service.episode.declaration import Node
from service.episode.moment import Moment
from service.episode.pointers import first_time


class Clock:
    """The times of one record, in the offset from UTC of its first time."""

    def __init__(self, episode: record.Episode, began: int | None = None) -> None:
        """``began``: epoch seconds of the first of all times, where that is known already."""
        self._episode, self._began = episode, began
        first = first_time(episode)
        self._offset = (first.when.utcoffset() if first else None) or timedelta(0)
        self._zone = timezone(self._offset) if self._offset else UTC
        self._texts: dict[int, str] = {}

    @functools.cached_property
    def _every(self) -> list[Moment]:
        found: list[Moment] = []
        _add_times([self._episode], found)
        return found

    @property
    def charted(self) -> bool:
        """Whether the record has a time at all."""
        return bool(self._every)

    @property
    def mixed(self) -> bool:
        """Whether its times have several offsets."""
        return len({moment.when.utcoffset() for moment in self._every}) > 1

    @property
    def zone(self) -> str:
        """``UTC-06:00``."""
        minutes = round(self._offset.total_seconds() / 60)
        return f"UTC{'-' if minutes < 0 else '+'}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"

    @functools.cached_property
    def day(self) -> str:
        """The day on which the record begins, YYYY-MM-DD; empty when it has no time."""
        began = self._began
        if began is None:
            began = min((moment.epoch for moment in self._every), default=None)
        return "" if began is None else self.day_of(began)

    def rfc3339(self, seconds: int) -> str:
        """Epoch seconds in RFC 3339."""
        known = self._texts.get(seconds)
        if known is None:
            known = self._texts[seconds] = datetime.fromtimestamp(seconds, self._zone).isoformat()
        return known

    def day_of(self, seconds: int) -> str:
        """The calendar day of epoch seconds, YYYY-MM-DD."""
        return self.rfc3339(seconds)[:10]

    def at(self, seconds: int) -> datetime:
        """Epoch seconds as a time in the record's offset."""
        return datetime.fromtimestamp(seconds, UTC).astimezone(self._zone)

    def text(self, seconds: int) -> str:
        """``22:14``, or ``2031-04-13 00:10`` on any but the first day of the record."""
        day, time = self.rfc3339(seconds)[:19].split("T")
        shown = time.removesuffix(":00")
        return shown if day == self.day else f"{day} {shown}"

    def span(self, start: int, end: int) -> str:
        """``22:14`` or ``22:14 to 22:31``."""
        return self.text(start) if start == end else f"{self.text(start)} to {self.text(end)}"

    def span_of(self, span: Mapping[str, str]) -> str:
        """``span`` of ``{"from": ..., "to": ...}`` in RFC 3339, as findings have it."""
        return self.span(*(int(datetime.fromisoformat(span[end]).timestamp()) for end in ("from", "to")))


def _add_times(nodes: Sequence[Node], found: list[Moment]) -> None:
    """Add every charted time of some objects of one class and of what they hold."""
    shape = declaration.shape(type(nodes[0]))
    for name in shape.timed:
        charted: list[Any] = [value for node in nodes if type(value := getattr(node, name)) is not Absent]
        if name in shape.times:
            found += charted
        elif inner := [one for value in charted for one in (value if isinstance(value, tuple) else (value,))]:
            _add_times(inner, found)
