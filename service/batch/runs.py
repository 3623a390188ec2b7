"""Run charts: the median, and the rules for shift and trend.

Rules of Perla, Provost and Murray 2011, BMJ Qual Saf 20:46-51. They ask for a
look at one chart: over many charts they fire by chance, so they are marked on
the chart and tell nothing by themselves.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import groupby, pairwise
from statistics import median
from typing import NamedTuple

#: Points on one side of the median in a row, and points that go on rising or falling (Perla, Provost and Murray 2011).
SHIFT, TREND = 6, 5
#: Points that a median may rest on when it is frozen for those after (common practice: ten to twelve).
ENOUGH = 12


class Run(NamedTuple):
    """``median``: of the first ``baseline`` points; ``frozen``: it is not moved by later ones. ``shift``, ``trend``: for each
    one the numbers of the points that take part in it."""

    median: float
    baseline: int
    frozen: bool
    shift: tuple[tuple[int, ...], ...]
    trend: tuple[tuple[int, ...], ...]


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


def shifts(points: Sequence[float], middle: float) -> tuple[tuple[int, ...], ...]:
    """Six or more points in a row above the median, or below it; a point on it neither counts nor ends the row."""
    off = [index for index, point in enumerate(points) if point != middle]
    rows = _rows([points[index] > middle for index in off])
    return tuple(tuple(off[start:end]) for start, end in rows if end - start >= SHIFT)


def trends(points: Sequence[float]) -> tuple[tuple[int, ...], ...]:
    """Five or more points that all go up, or all go down; of equal neighbors only the first counts."""
    kept = [index for index, point in enumerate(points) if index == 0 or point != points[index - 1]]
    rows = _rows([points[after] > points[before] for before, after in pairwise(kept)])
    return tuple(tuple(kept[start : end + 1]) for start, end in rows if end - start + 1 >= TREND)


def _rows(sides: Sequence[bool]) -> Iterator[tuple[int, int]]:
    """(start, end) of each row of equal ones."""
    start = 0
    for _, row in groupby(sides):
        end = start + len(list(row))
        yield start, end
        start = end
