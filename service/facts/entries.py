"""The lists of the record: their items, in order of time, and every time that stands in them."""

from __future__ import annotations

import functools
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from operator import attrgetter, itemgetter
from typing import Any, TypeVar

from service.episode import declaration
from service.episode.absence import Absent
from service.episode.closing import Amendment
from service.episode.member_names import MemberName
from service.episode.moment import Moment

from .builder import state_of

T = TypeVar("T")
N = TypeVar("N", bound=declaration.Node)
_NOT_TIMED = frozenset({"entered", "opened", "closed"})


def items(value: tuple[T, ...] | Absent) -> tuple[T, ...]:
    """The items of a list, none when it is absent."""
    return () if type(value) is Absent else value


def timed(listed: Iterable[tuple[Moment | Absent, N]]) -> list[tuple[int, N]]:
    """(epoch, item) of the items with a charted time, in order; at one time in the order of their places."""
    found = [(epoch, item.at, item) for time, item in listed if (epoch := time.epoch) is not None]
    found.sort(key=_TIME_AND_PLACE)
    return [(epoch, item) for epoch, _, item in found]


_TIME_AND_PLACE = itemgetter(0, 1)


@dataclass(frozen=True, slots=True)
class _Walk:
    """Where the times of a class are: its own, and in its parts and lists."""

    #: Functions that give the epochs of what happened, and of when something was written or changed.
    happened: tuple[Callable[[Any], int | None], ...]
    noted: tuple[Callable[[Any], int | None], ...]
    #: Its objects can say when they were written.
    entered: bool
    parts: tuple[MemberName, ...]
    lists: tuple[tuple[MemberName, _Walk], ...]
    #: It has neither parts nor lists.
    flat: bool


@functools.cache
def _walk(cls: type) -> _Walk:
    shape = declaration.shape(cls)
    noted = {name for name in shape.times if name in _NOT_TIMED or cls is Amendment}
    epochs = {name: attrgetter(f"{name}.epoch") for name in shape.times}
    members = [m for m in declaration.members(cls) if isinstance(m.kind, declaration.Items)]
    lists = tuple((m.name, _walk(m.kind.of)) for m in members)  # type: ignore[attr-defined]
    return _Walk(
        tuple(epoch for name, epoch in epochs.items() if name not in noted),
        tuple(epoch for name, epoch in epochs.items() if name in noted and name != "entered"),
        "entered" in shape.times,
        shape.parts,
        lists,
        not shape.parts and not lists,
    )


class Entries:
    """Every time of a record.

    ``first``: the earliest of all; ``last``: the latest of anything that happened; None without one. When something
    was written is not a time at which it happened. ``written``: the objects that say when they were written, in reading
    order.
    """

    def __init__(self, episode: declaration.Node) -> None:
        self.written: list[Any] = []
        self._happened: set[int | None] = set()
        self._noted: set[int | None] = set()
        self._add((episode,), _walk(episode.__class__))
        self.first = min([t for t in self._happened | self._noted if t is not None], default=None)
        self.last = max([t for t in self._happened if t is not None], default=None)

    def _add(self, listed: tuple[Any, ...], walk: _Walk) -> None:
        """Add the times of objects of one class."""
        for epoch in walk.happened:
            self._happened.update(map(epoch, listed))
        for epoch in walk.noted:
            self._noted.update(map(epoch, listed))
        if walk.entered:
            entered = set(map(_ENTERED, listed))
            self._noted |= entered
            if entered != {None}:  # most charts do not say when anything was written
                self.written += [node for node in listed if type(node.entered) is not Absent]
        if walk.flat:
            return
        for node in listed:
            for name in walk.parts:
                inner = getattr(node, name)
                if type(inner) is not Absent:
                    self._add((inner,), _walk(inner.__class__))
            for name, below in walk.lists:
                inner = getattr(node, name)
                if type(inner) is not Absent and inner:
                    self._add(inner, below)


_ENTERED = attrgetter("entered.epoch")


def dated(listed: tuple[T, ...] | Absent, times: Iterable[Moment | Absent]) -> tuple[T, ...] | Absent:
    """A list, or the absence of its ``times`` when not one item has one: nothing can be worked out from it then."""
    absent = [time for time in times if type(time) is Absent]
    return Absent(state_of(*absent)) if absent and len(absent) == len(items(listed)) else listed
