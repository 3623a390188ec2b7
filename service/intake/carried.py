"""What a format has no place for: member paths below a table, and what a chart brought all the same."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any

from service.episode import kinds, model


def _below(cls: type, path: str) -> Iterator[str]:
    for member in kinds.members(cls):
        here = f"{path}/{member.name}"
        if not member.required:
            yield here
        if isinstance(member.kind, kinds.Items):
            yield from _below(member.kind.of, f"{here}/*")
        elif isinstance(member.kind, kinds.Part):
            yield from _below(member.kind.of, here)


#: Every member path that a sender may state as not collected, in story order.
EVERY_PATH = dict.fromkeys(_below(model.Episode, ""))


def everything_below(table: Iterable[str]) -> tuple[str, ...]:
    """The paths of a table with everything below them, one path a member."""
    prefixes = tuple(table)
    return tuple(path for path in EVERY_PATH if any(path == p or path.startswith(f"{p}/") for p in prefixes))


def brought(value: Any, path: str) -> bool:
    """Whether an episode value holds the member a path names, in any item of a list on the way."""
    return _brought(value, path.split("/")[1:])


def _brought(value: Any, steps: list[str]) -> bool:
    if not steps:
        return True
    if steps[0] == "*":
        return type(value) is list and any(_brought(item, steps[1:]) for item in value)
    return type(value) is dict and steps[0] in value and _brought(value[steps[0]], steps[1:])
