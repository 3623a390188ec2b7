"""What is told on the first screen: what changed, who differs, and how seldom it is chance."""

from __future__ import annotations

import random

import pytest

from service.batch import change
from service.batch.change import Series
from tests.batch import quiet_years


def one(id_: str, periods: list[tuple[int, int]], good: str = "fewer", **more: object) -> Series:
    whole = sum(n for n, _ in periods), sum(d for _, d in periods)
    return Series(id_, good, (id_,), whole, periods, **more)  # type: ignore[arg-type]


FALL = [(20, 80)] * 6 + [(4, 80)] * 6
QUIET = [(8, 80)] * 12


def test_time_is_cut_at_quarters_and_marks() -> None:
    assert change.cuts(12) == [3, 6, 9]
    assert change.cuts(12, [7, 0, 12, 6]) == [3, 6, 7, 9]
    assert change.cuts(1) == []
    assert change.cuts(2) == [1]


@pytest.mark.parametrize(("good", "said"), [("fewer", "better"), ("more", "worse")])
def test_a_fall_is_better_or_worse_by_the_good_direction(good: str, said: str) -> None:
    lines, asked = change.told([one("a", FALL, good), one("b", QUIET), one("c", QUIET)], 12)
    (line,) = lines
    assert (line.id, line.change, line.at, line.one, line.other) == ("a", said, 6, (120, 480), (24, 480))
    assert asked == 3
    rise = change.told([one("a", FALL[::-1], good)], 12)[0][0]
    assert rise.change != said


def test_a_group_that_differs_is_looked_at() -> None:
    groups = {"east": (60, 100), "north": (20, 100), "west": (22, 100)}
    (line,) = change.told([Series("a", "fewer", ("a",), (102, 300), [(102, 300)], groups)], 1)[0]
    assert (line.change, line.group, line.one, line.other) == ("look", "east", (60, 100), (42, 200))
    assert change.told([Series("a", "fewer", ("a",), (60, 100), [(60, 100)], {"east": (60, 100)})], 1) == ([], 0)


def test_what_no_record_could_answer_is_not_asked() -> None:
    """Two cases in a year can never be told from chance, however they fall: they take nothing from the others."""
    rare = [one(f"r{n}", [(1, 80), (1, 80)] + [(0, 80)] * 10) for n in range(400)]
    lines, asked = change.told([one("a", FALL), *rare], 12)
    assert [line.id for line in lines] == ["a"]
    assert asked == 1


def test_one_line_for_measures_of_the_same_rules() -> None:
    fall = one("RR-1", FALL)
    item = Series("AUD", "more", ("RR-1", "RR-2"), (816, 960), [(60, 80)] * 6 + [(76, 80)] * 6)
    other = one("RR-9", FALL)
    lines, _ = change.told([fall, item, other], 12)
    assert sorted((line.id, line.also) for line in lines) in (
        [("AUD", ("RR-1",)), ("RR-9", ())],
        [("RR-1", ("AUD",)), ("RR-9", ())],
    )


def test_ten_lines_of_each_kind_in_turn() -> None:
    told = [
        change.Told(f"{kind}{n}", kind, n / 100, (0, 1), (1, 1))
        for kind in ("worse", "look", "better")
        for n in range(9)
    ]
    first = change.first_lines(told)
    assert len(first) == change.MOST_LINES
    assert [line.id for line in first][:4] == ["worse0", "look0", "better0", "worse1"]
    assert len(change.first_lines(told[:4])) == 4


def test_the_same_in_any_order() -> None:
    given = [one("a", FALL), one("b", QUIET), one("c", FALL[::-1]), one("d", FALL)]
    shuffled = given[:]
    random.Random(1).shuffle(shuffled)
    assert change.told(given, 12) == change.told(shuffled, 12)
    assert change.told([], 12) == ([], 0)


def test_quiet_years_are_quiet_and_a_fall_is_seen() -> None:
    """A sample; ``python -m tests.batch.quiet_years`` draws 500 years, with and without ``--fall``."""
    assert quiet_years.share("independent", 40).seen <= 4
    assert quiet_years.share("independent", 20, fall=6).seen >= 15
