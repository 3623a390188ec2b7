"""Whole-second intervals: union, clipping, gaps. Pure integers, closed at both ends where a point counts.

An interval is ``(start, end)`` in epoch seconds with ``start <= end``.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Sequence

Span = tuple[int, int]


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
    """Whether the time lies in one of the intervals, their ends included."""
    for start, end in spans:  # noqa: SIM110 - no generator: this is asked of every check of every limb
        if start <= time <= end:
            return True
    return False


def holes(window: Iterable[Span], cover: Sequence[Span]) -> list[Span]:
    """The stretches of ``window`` that no interval of ``cover`` covers, without empty ones."""
    out: list[Span] = []
    covered = union(cover)
    for start, end in union(window):
        at = start
        for first, last in covered:
            if last <= at or first >= end:
                continue
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


def first_in(points: Sequence[int], span: Span) -> int | None:
    """The first point inside the span, or None."""
    at = bisect_left(points, span[0])
    return points[at] if at < len(points) and points[at] <= span[1] else None
