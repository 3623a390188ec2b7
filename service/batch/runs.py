"""Run charts: the median, and the rules for shift and trend.

Rules of Perla, Provost and Murray 2011, BMJ Qual Saf 20:46-51. They ask for a
look at one chart: over many charts they fire by chance, so they are marked on
the chart and tell nothing by themselves.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from statistics import median
from typing import NamedTuple

#: Points on one side of the median in a row, and points that go on rising or falling (Perla, Provost and Murray 2011).
SHIFT, TREND = 6, 5
#: Points that a median may rest on when it is frozen for those after (common practice: ten to twelve).
ENOUGH = 12


class Run(NamedTuple):
    """``median``: of the first ``baseline`` points; ``frozen``: it is not moved by later ones. ``shift``, ``trend``: numbers
    of the points that take part in one."""

    median: float
    baseline: int
    frozen: bool
    shift: tuple[int, ...]
    trend: tuple[int, ...]


def run(points: Sequence[float], baseline: int | None = None) -> Run | None:
    """The run chart of points in order of time; None without any. ``baseline``: how many of the first the caller froze.

    Without it the median is frozen from the first 12 points where there are more, and is that of all points before.
    """
    if not points:
        return None
    frozen = bool(baseline) or len(points) > ENOUGH
    first = min(baseline or (ENOUGH if frozen else len(points)), len(points))
    middle = median(points[:first])
    return Run(round(middle, 6), first, frozen, shifts(points, middle), trends(points))


def shifts(points: Sequence[float], middle: float) -> tuple[int, ...]:
    """Points of six or more in a row above the median, or below it; a point on it neither counts nor ends the row."""
    off = [(index, point > middle) for index, point in enumerate(points) if point != middle]
    return _rows([index for index, _ in off], [side for _, side in off], SHIFT)


def trends(points: Sequence[float]) -> tuple[int, ...]:
    """Points of five or more that all go up, or all go down; of equal neighbors only the first counts."""
    kept = [index for index, point in enumerate(points) if index == 0 or point != points[index - 1]]
    steps = [points[after] > points[before] for before, after in pairwise(kept)]
    found: set[int] = set()
    start = 0
    for at in range(1, len(steps) + 1):
        if at == len(steps) or steps[at] != steps[start]:
            if at - start + 1 >= TREND:
                found.update(kept[start : at + 1])
            start = at
    return tuple(sorted(found))


def _rows(indexes: Sequence[int], sides: Sequence[bool], least: int) -> tuple[int, ...]:
    found: list[int] = []
    start = 0
    for at in range(1, len(sides) + 1):
        if at == len(sides) or sides[at] != sides[start]:
            if at - start >= least:
                found += indexes[start:at]
            start = at
    return tuple(found)
