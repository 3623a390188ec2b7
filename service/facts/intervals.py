"""Whole-second intervals: union, clipping, gaps. Pure integers, closed at both ends where a point counts.

An interval is ``(start, end)`` in epoch seconds with ``start <= end``.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterable, Sequence
from heapq import heappop, heappush
from itertools import islice
from typing import TypeVar

T = TypeVar("T")
Span = tuple[int, int]
#: Longer than any record.
ALWAYS: Span = (-(1 << 62), 1 << 62)


def union(spans: Iterable[Span]) -> list[Span]:
    """The same time as disjoint intervals in order; intervals that touch are joined."""
    out: list[Span] = []
    for start, end in sorted(spans):
        if end < start:
            continue
        if out and start <= out[-1][1]:
            if end > out[-1][1]:
                out[-1] = (out[-1][0], end)
        else:
            out.append((start, end))
    return out


def length(spans: Iterable[Span]) -> int:
    """Seconds covered by disjoint intervals."""
    return sum(end - start for start, end in spans)


def clip(spans: Iterable[Span], low: int | None, high: int | None) -> list[Span]:
    """The parts of the intervals between ``low`` and ``high`` (None: no bound)."""
    out = []
    for start, end in spans:
        first = start if low is None else max(start, low)
        last = end if high is None else min(end, high)
        if first <= last:
            out.append((first, last))
    return out


def inside(time: int, spans: Sequence[Span]) -> bool:
    """Whether the time lies in one of the disjoint intervals, which are in order; their ends included."""
    at = bisect_right(spans, (time, ALWAYS[1])) - 1
    return at >= 0 and spans[at][1] >= time


def holes(window: Iterable[Span], cover: Sequence[Span]) -> list[Span]:
    """The stretches of ``window`` that no interval of ``cover`` covers, without empty ones."""
    out: list[Span] = []
    covered = union(cover)
    next_cover = 0
    for start, end in union(window):
        at = start
        while next_cover < len(covered) and covered[next_cover][1] <= start:
            next_cover += 1
        for first, last in islice(covered, next_cover, None):
            if first >= end:
                break
            if first > at:
                out.append((at, first))
            at = max(at, last)
        if at < end:
            out.append((at, end))
    return out


def longest(spans: Iterable[Span]) -> Span | None:
    """The longest interval, the first of equals; None when there is none."""
    best: Span | None = None
    for span in spans:
        if best is None or span[1] - span[0] > best[1] - best[0]:
            best = span
    return best


def between(points: Sequence[int], span: Span) -> list[Span]:
    """The stretches between neighbouring points of a span, and from the last point to its end.

    ``points`` are in order. The stretch before the first point is not among
    them: the first point has a limit of its own.
    """
    low, high = bisect_left(points, span[0]), bisect_right(points, span[1])
    seen = points[low:high]
    out = list(zip(seen, seen[1:], strict=False))
    if seen:
        out.append((seen[-1], span[1]))
    return out


def among(listed: Sequence[T], span: Span, key: Callable[[T], int] | None = None) -> Sequence[T]:
    """What lies inside a span, of times in order or of what ``key`` gives the time of."""
    low = bisect_left(listed, span[0], key=key)  # type: ignore[type-var,arg-type]
    return listed[low : bisect_right(listed, span[1], key=key)]  # type: ignore[type-var,arg-type]


def first_in(points: Sequence[int], span: Span) -> int | None:
    """The first point inside the span, or None."""
    at = bisect_left(points, span[0])
    return points[at] if at < len(points) and points[at] <= span[1] else None


def last_begun(spans: Sequence[tuple[int, int | None]]) -> Callable[[int], int | None]:
    """Tells of a time which interval it lies in, as an index: of several the one that stands last; None outside all.

    ``spans`` are in order of their starts; an end of None is never reached.
    """
    starts = [(start, index) for index, (start, _) in enumerate(spans)]
    ends = sorted(end + 1 for _, end in spans if end is not None)
    changes: list[int] = []
    found: list[int | None] = []
    there: list[tuple[int, int]] = []  # a heap: the last of them, and its end
    begun = 0
    for time in sorted({*(start for start, _ in starts), *ends}):
        while begun < len(starts) and starts[begun][0] <= time:
            end = spans[begun][1]
            heappush(there, (-begun, ALWAYS[1] if end is None else end))
            begun += 1
        while there and there[0][1] < time:
            heappop(there)
        changes.append(time)
        found.append(-there[0][0] if there else None)

    def at(time: int) -> int | None:
        number = bisect_right(changes, time)
        return found[number - 1] if number else None

    return at
