"""Member paths, such as ``/application/limbs/*/anchor``: for tables of what a format has no place for."""

from __future__ import annotations

from collections.abc import Iterable

from service.intake.not_collected import PATHS


def everything_below(table: Iterable[str]) -> tuple[str, ...]:
    """All paths that are in a table or below one of its paths."""
    prefixes = tuple(table)
    return tuple(path for path in PATHS if any(path == p or path.startswith(f"{p}/") for p in prefixes))
