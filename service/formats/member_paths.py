"""Member paths, such as ``/application/limbs/*/anchor``: for tables of what a format has no place for."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any

from service.episode import declaration, record


def _below(cls: type, path: str) -> Iterator[str]:
    for member in declaration.members(cls):
        here = f"{path}/{member.name}"
        if not member.required:
            yield here
        if isinstance(member.kind, declaration.Items):
            yield from _below(member.kind.of, f"{here}/*")
        elif isinstance(member.kind, declaration.Part):
            yield from _below(member.kind.of, here)


#: Every member path that a sender may state as not collected, in the order of the declaration.
EVERY_PATH = dict.fromkeys(_below(record.Episode, ""))


def everything_below(table: Iterable[str]) -> tuple[str, ...]:
    """All paths that are in a table or below one of its paths."""
    prefixes = tuple(table)
    return tuple(path for path in EVERY_PATH if any(path == p or path.startswith(f"{p}/") for p in prefixes))


def brought(value: dict[str, Any]) -> set[str]:
    """The paths of all members that an episode, as JSON value, has; of a list those of all its items."""
    found: set[str] = set()
    _brought([value], "", found)
    return found


def _brought(objects: list[dict[str, Any]], path: str, found: set[str]) -> None:
    """Add the paths of the members of objects that stand at one path."""
    for name in set[str]().union(*objects):
        here = f"{path}/{name}"
        found.add(here)
        inner = [each[name] for each in objects if name in each]
        parts = [part for part in inner if type(part) is dict]
        items = [item for listed in inner if type(listed) is list for item in listed if type(item) is dict]
        if parts:
            _brought(parts, here, found)
        if items:
            _brought(items, f"{here}/*", found)
