"""The lists of the record: their items, in order of time, and every time that stands in them."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from operator import attrgetter, itemgetter
from typing import Any, TypeVar

from service.episode import declaration
from service.episode.absence import MISSING, Absent
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

    #: Functions that give the epochs of what happened.
    epochs: tuple[Callable[[Any], int | None], ...]
    #: Its objects can say when they were written.
    entered: bool
    parts: tuple[MemberName, ...]
    lists: tuple[tuple[MemberName, _Walk], ...]
    #: It has neither parts nor lists.
    flat: bool


_WALKS: dict[type, _Walk] = {}


def _walk(cls: type) -> _Walk:
    found = _WALKS.get(cls)
    if found is None:
        shape = declaration.shape(cls)
        epochs = tuple(attrgetter(f"{name}.epoch") for name in shape.times if name not in _NOT_TIMED)
        members = [
            m for m in declaration.members(cls) if isinstance(m.kind, declaration.Items) and m.name != "amendments"
        ]
        lists = tuple((m.name, _walk(m.kind.of)) for m in members)  # type: ignore[attr-defined]
        found = _WALKS[cls] = _Walk(epochs, "entered" in shape.times, shape.parts, lists, not shape.parts and not lists)
    return found


def entries(node: declaration.Node) -> tuple[int | None, list[Any]]:
    """(latest epoch of anything that happened or None, the objects that say when they were written in reading order).

    When something was written is not a time at which it happened.
    """
    times: set[int | None] = set()
    written: list[Any] = []
    _entries((node,), _walk(type(node)), times, written)
    return max([time for time in times if time is not None], default=None), written


def _entries(listed: tuple[Any, ...], walk: _Walk, times: set[int | None], written: list[Any]) -> None:
    """Add the epochs of objects of one class to ``times``, and those with a time of writing to ``written``."""
    if walk.flat:
        for epoch in walk.epochs:
            times.update(map(epoch, listed))
        # Most charts do not say when anything was written: one count tells.
        if walk.entered and list(map(_ENTERED, listed)).count(MISSING) < len(listed):
            written += [node for node in listed if type(node.entered) is not Absent]
        return
    for node in listed:
        for epoch in walk.epochs:
            times.add(epoch(node))
        if walk.entered and type(node.entered) is not Absent:
            written.append(node)
        for name in walk.parts:
            inner = getattr(node, name)
            if type(inner) is not Absent:
                _entries((inner,), _walk(type(inner)), times, written)
        for name, below in walk.lists:
            inner = getattr(node, name)
            if type(inner) is not Absent:
                _entries(inner, below, times, written)


_ENTERED = attrgetter("entered")


def dated(listed: tuple[T, ...] | Absent, times: Iterable[Moment | Absent]) -> tuple[T, ...] | Absent:
    """A list, or the absence of its ``times`` when not one item has one: nothing can be worked out from it then."""
    absent = [time for time in times if type(time) is Absent]
    return Absent(state_of(*absent)) if absent and len(absent) == len(items(listed)) else listed
