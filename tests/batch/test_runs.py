"""Run charts: the rules as published, and how often they fire by chance as the theory of runs has it."""

from __future__ import annotations

from itertools import product

import pytest

from service.batch import runs


def longest_at_most(length: int, most: int) -> int:
    """Sequences of so many tosses in which no more than ``most`` heads come in a row: A_n(x) of Schilling 1990, College Math
    J 21:196-207."""
    if length <= most:
        return int(2**length)
    return sum(longest_at_most(length - each - 1, most) for each in range(most + 1))


def test_the_recursion_gives_the_published_table() -> None:
    """Schilling 1990, table of A_n(3), n from 0 to 8 (from memory)."""
    assert [longest_at_most(n, 3) for n in range(9)] == [1, 2, 4, 8, 15, 29, 56, 108, 208]


def test_a_shift_is_found_in_as_many_sequences_as_there_are_with_a_run_of_six() -> None:
    """All 4,096 ways in which 12 points lie above or below: runs of six of either kind are 2 A_11(4) less than all."""
    found = sum(bool(runs.shifts(points, 0.5)) for points in product((0.0, 1.0), repeat=12))
    assert found == 2**12 - 2 * longest_at_most(11, 4) == 510


@pytest.mark.parametrize(
    ("points", "expected"),
    [
        # Perla, Provost and Murray 2011: six or more in a row on one side; five are none.
        ([1, 1, 1, 1, 1], ()),
        ([1, 1, 1, 1, 1, 1], (0, 1, 2, 3, 4, 5)),
        # A point on the median neither counts nor ends the row.
        ([1, 1, 1, 0.5, 1, 1, 1], (0, 1, 2, 4, 5, 6)),
        ([1, 1, 1, 0.5, 1, 1], ()),
        ([1, 1, 1, 0, 1, 1, 1], ()),
        ([1, 0, 0, 0, 0, 0, 0, 1], (1, 2, 3, 4, 5, 6)),
    ],
)
def test_shift(points: list[float], expected: tuple[int, ...]) -> None:
    assert runs.shifts(points, 0.5) == ((expected,) if expected else ())


@pytest.mark.parametrize(
    ("points", "expected"),
    [
        # Five or more that all go up or all go down; four are none.
        ([1, 2, 3, 4], ()),
        ([1, 2, 3, 4, 5], (0, 1, 2, 3, 4)),
        ([9, 5, 4, 3, 2, 1, 6], (0, 1, 2, 3, 4, 5)),
        # Of equal neighbors only one counts.
        ([1, 2, 2, 3, 4, 5], (0, 1, 3, 4, 5)),
        ([1, 2, 2, 3, 4], ()),
        ([1, 2, 3, 2, 3, 4], ()),
        ([], ()),
        ([2], ()),
    ],
)
def test_trend(points: list[float], expected: tuple[int, ...]) -> None:
    assert runs.trends(points) == ((expected,) if expected else ())


def test_the_median_is_frozen_from_twelve_points_on_or_by_hand() -> None:
    rising = [float(n) for n in range(20)]
    assert runs.run([]) is None
    short = runs.run(rising[:12])
    assert short is not None
    assert (short.median, short.baseline, short.frozen) == (5.5, 12, False)
    long = runs.run(rising)
    assert long is not None
    assert (long.median, long.baseline, long.frozen) == (5.5, 12, True)
    by_hand = runs.run(rising[:8], baseline=3)
    assert by_hand is not None
    assert (by_hand.median, by_hand.baseline, by_hand.frozen) == (1.0, 3, True)
    # Later points are held against the frozen median; two shifts side by side are two.
    assert long.shift == (tuple(range(6)), tuple(range(6, 20)))
    assert runs.run(rising[:8], baseline=50) == runs.Run(3.5, 8, True, (), (tuple(range(8)),))
