"""Member paths, such as ``/application/limbs/*/anchor``: for tables of what a format has no place for."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from service.intake.not_collected import PATHS


def everything_below(table: Iterable[str]) -> tuple[str, ...]:
    """All paths that are in a table or below one of its paths."""
    prefixes = tuple(table)
    return tuple(path for path in PATHS if any(path == p or path.startswith(f"{p}/") for p in prefixes))


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
