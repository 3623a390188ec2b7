"""Interval arithmetic against the public library ``portion`` as an independent reckoning."""

from __future__ import annotations

from itertools import pairwise

import portion
from hypothesis import given, settings
from hypothesis import strategies as st

from service.facts import intervals
from service.facts.intervals import Span

spans = st.lists(st.tuples(st.integers(0, 60), st.integers(0, 60)).map(lambda p: (min(p), max(p))), max_size=8)
bound = st.none() | st.integers(-5, 65)
exactly = settings(derandomize=True, max_examples=250, deadline=None)


def of(found: list[Span]) -> portion.Interval:
    return portion.Interval(*(portion.closed(*span) for span in found))


def pieces(interval: portion.Interval) -> list[Span]:
    return [(piece.lower, piece.upper) for piece in interval if not piece.empty]


@exactly
@given(spans)
def test_union(found: list[Span]) -> None:
    joined = intervals.union(found)
    assert joined == pieces(of(found))
    assert all(one[1] < other[0] for one, other in pairwise(joined))
    assert intervals.length(joined) == sum(piece.upper - piece.lower for piece in of(found) if not piece.empty)


@exactly
@given(spans, bound, bound)
def test_clip(found: list[Span], low: int | None, high: int | None) -> None:
    window = portion.closed(-portion.inf if low is None else low, portion.inf if high is None else high)
    assert intervals.clip(intervals.union(found), low, high) == pieces(of(found) & window)


@exactly
@given(spans, spans)
def test_holes(window: list[Span], cover: list[Span]) -> None:
    """The difference, without points: an end that is covered leaves no hole of no length."""
    left = of(window) - of(cover)
    assert intervals.holes(window, cover) == [(p.lower, p.upper) for p in left if not p.empty and p.lower < p.upper]


@exactly
@given(spans, st.integers(-5, 65))
def test_inside(found: list[Span], time: int) -> None:
    assert intervals.inside(time, intervals.union(found)) == (time in of(found))


@exactly
@given(spans)
def test_longest(found: list[Span]) -> None:
    best = intervals.longest(found)
    if not found:
        assert best is None
    else:
        most = max(end - start for start, end in found)
        assert best == next(span for span in found if span[1] - span[0] == most)


@exactly
@given(st.lists(st.integers(0, 60), max_size=8).map(sorted), st.tuples(st.integers(0, 30), st.integers(30, 60)))
def test_between_and_first(points: list[int], span: Span) -> None:
    """The stretches after the first point, and the wait for the first point, fill the span and do not overlap."""
    inner = [t for t in points if t in portion.closed(*span)]
    assert intervals.first_in(points, span) == (inner[0] if inner else None)
    stretches = intervals.between(points, span)
    if not inner:
        assert stretches == []
    else:
        assert stretches == list(pairwise([*inner, span[1]]))
        assert intervals.length(stretches) + inner[0] - span[0] == span[1] - span[0]


def test_empty_backwards_and_touching() -> None:
    assert intervals.union([]) == [] and intervals.length([]) == 0
    assert intervals.union([(5, 3)]) == []
    assert intervals.union([(0, 5), (5, 9)]) == [(0, 9)]
    assert intervals.union([(5, 5)]) == [(5, 5)]
    assert intervals.holes([(0, 10)], [(0, 4), (4, 10)]) == []
    assert intervals.holes([(0, 10)], []) == [(0, 10)]
    assert intervals.clip([(0, 10)], 10, 4) == []
