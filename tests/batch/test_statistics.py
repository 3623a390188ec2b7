"""Intervals and limits against published tables and worked examples; each is named beside its numbers."""

from __future__ import annotations

import random
from fractions import Fraction
from math import comb

import pytest
from scipy import stats  # type: ignore[import-untyped,unused-ignore]

from service.batch import statistics


@pytest.mark.parametrize(
    ("numerator", "denominator", "lower", "upper"),
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611), (1, 29, 0.0061, 0.1718)],
)
def test_wilson_interval(numerator: int, denominator: int, lower: float, upper: float) -> None:
    """Newcombe 1998, Stat Med 17:857-872, table I, method 3 (score interval); the table is quoted from memory."""
    found = statistics.wilson(numerator, denominator)
    assert found is not None
    assert (round(found.lower, 4), round(found.upper, 4)) == (lower, upper)


#: Numbers of nonconforming units in 30 samples of 50: the worked example of NIST/SEMATECH e-Handbook 6.3.3.2 and of
#: Montgomery, Introduction to Statistical Quality Control, chapter on attributes; data and limits from memory.
SAMPLES = (12, 15, 8, 10, 4, 7, 16, 9, 14, 10, 5, 6, 17, 12, 22, 8, 10, 5, 13, 11, 20, 18, 24, 15, 9, 12, 7, 13, 9, 6)


def test_control_limits_of_equal_samples() -> None:
    center = sum(SAMPLES) / (50 * len(SAMPLES))
    assert round(center, 4) == 0.2313
    band = statistics.p_chart(center, 50)
    assert (round(band.lower, 4), round(band.upper, 4)) == (0.0524, 0.4102)
    beyond = [number for number, count in enumerate(SAMPLES, 1) if not band.lower <= count / 50 <= band.upper]
    assert beyond == [15, 23]


def test_control_limits_of_unequal_samples() -> None:
    """Montgomery, same chapter, purchase orders in 25 weeks (from memory): center 0.096, and only week 11 is beyond its limit."""
    sizes = (
        100,
        80,
        80,
        100,
        110,
        110,
        100,
        100,
        90,
        90,
        110,
        120,
        120,
        120,
        110,
        80,
        80,
        80,
        90,
        100,
        100,
        100,
        100,
        90,
        90,
    )
    wrong = (12, 8, 6, 9, 10, 12, 11, 16, 10, 6, 20, 15, 9, 8, 6, 8, 10, 7, 5, 8, 5, 8, 10, 6, 9)
    center = sum(wrong) / sum(sizes)
    assert (sum(wrong), sum(sizes), round(center, 3)) == (234, 2450, 0.096)
    bands = [statistics.p_chart(center, size) for size in sizes]
    assert [
        week for week, (band, w, n) in enumerate(zip(bands, wrong, sizes, strict=True), 1) if w / n > band.upper
    ] == [11]
    assert round(bands[10].upper, 3) == 0.180


def _cdf(least: int, size: int, target: Fraction) -> Fraction:
    return sum((comb(size, k) * target**k * (1 - target) ** (size - k) for k in range(least + 1)), Fraction(0))


@pytest.mark.parametrize(("size", "target"), [(5, Fraction(1, 50)), (20, Fraction(1, 10)), (137, Fraction(3, 7))])
@pytest.mark.parametrize("tail", [Fraction(25, 1000), Fraction(1, 1000)])
def test_funnel_limits(size: int, target: Fraction, tail: Fraction) -> None:
    """Spiegelhalter 2005, Stat Med 24:1185-1202, appendix (formula from memory; no table of it was at hand): with exact fractions."""
    expected = []
    for p in (tail, 1 - tail):
        least = next(r for r in range(size + 1) if _cdf(r, size, target) >= p)
        upto, below = _cdf(least, size, target), _cdf(least - 1, size, target)
        expected.append(min(1.0, max(0.0, float((least - (upto - p) / (upto - below)) / size))))
    found = statistics.funnel(float(target), size, {"tail": float(tail)})["tail"]
    assert tuple(found) == pytest.approx(expected, abs=1e-6)


#: Cumulative probabilities of the binomial distribution for n = 20, p = 0.10, as tables at the end of statistics
#: textbooks print them (Montgomery; Zar), four digits, from memory: P(X <= 0), P(X <= 1), ...
TABLE = (0.1216, 0.3917, 0.6769, 0.8670, 0.9568, 0.9887, 0.9976, 0.9996)


@pytest.mark.parametrize(("tail", "least"), [(0.025, 5), (0.001, 7)])
def test_upper_funnel_limit_by_hand_from_a_printed_table(tail: float, least: int) -> None:
    """Spiegelhalter's interpolation carried out on the printed digits; what rounding to four digits can do is allowed."""
    wanted = 1 - tail
    assert TABLE[least - 1] < wanted <= TABLE[least]
    step = TABLE[least] - TABLE[least - 1]
    by_hand = (least - (TABLE[least] - wanted) / step) / 20
    allowed = 1e-4 / step / 20
    found = statistics.funnel(0.1, 20, {"tail": tail})["tail"]
    assert abs(found.upper - by_hand) <= allowed
    assert allowed < 0.003


def test_funnel_limits_close_as_groups_grow_and_come_near_the_normal_ones() -> None:
    bands = [statistics.funnel(0.2, size)["95"] for size in (20, 200, 20_000)]
    widths = [band.upper - band.lower for band in bands]
    assert widths == sorted(widths, reverse=True)
    reach = 1.959964 * (0.2 * 0.8 / 20_000) ** 0.5
    assert bands[2] == pytest.approx((0.2 - reach, 0.2 + reach), abs=1e-4)


@pytest.mark.parametrize("target", [0.0, 1.0])
def test_a_target_at_an_end_has_no_room(target: float) -> None:
    assert statistics.funnel(target, 10) == {"95": (target, target), "99.8": (target, target)}
    assert statistics.p_chart(target, 10) == (target, target)


def test_nothing_counted_is_no_rate() -> None:
    assert statistics.rate(0, 0) is None
    assert statistics.wilson(0, 0) is None
    assert statistics.spread({}) is None
    with pytest.raises(ValueError):
        statistics.p_chart(0.5, 0)
    with pytest.raises(ValueError):
        statistics.funnel(0.5, 0)
    with pytest.raises(ValueError):
        statistics.wilson(3, 2)


@pytest.mark.parametrize(
    ("counts", "expected"),
    [
        ({60: 1}, (60.0, 60, 60)),
        ({60: 1, 120: 1}, (90.0, 120, 120)),
        # Hyndman and Fan 1996, definition 1: the smallest value that at least nine of ten do not exceed.
        (dict.fromkeys(range(1, 11), 1), (5.5, 9, 10)),
        ({60: 89, 600: 10, 7200: 1}, (60.0, 600, 7200)),
    ],
)
def test_spread(counts: dict[int, int], expected: tuple[float, int, int]) -> None:
    assert statistics.spread(counts) == expected


def test_the_spread_of_times_is_that_of_the_times_one_by_one() -> None:
    """By the definitions, over the list of all times: the middle one or two, and the first that nine of ten do not exceed."""
    drawn = random.Random(3)
    for size in range(1, 130):
        counts = {60 * drawn.randint(0, 40): drawn.randint(1, 4) for _ in range(drawn.randint(1, size))}
        every = sorted(value for value, count in counts.items() for _ in range(count))
        middle = (every[(len(every) - 1) // 2] + every[len(every) // 2]) / 2
        tail = next(value for place, value in enumerate(every, 1) if 10 * place >= 9 * len(every))
        assert statistics.spread(counts) == (middle, tail, every[-1])


# ---------------------------------------------------------------- SciPy says the same

CLOSE = 1e-12
SIZES = (*range(1, 31), 50, 75, 100, 137, 200, 365, 1_000, 2_500, 10_000, 100_000)
DRAWN = random.Random(11)
TARGETS = (
    1e-5, 1e-3, 0.01, 1 / 30, 0.1, 0.25, 1 / 3, 0.5, 0.75, 0.9, 0.99, 0.999, *(DRAWN.random() for _ in range(12)),
)  # fmt: skip


def test_wilson_intervals_are_those_of_scipy() -> None:
    for size in SIZES:
        for numerator in {0, 1, size // 7, size // 2, size - 1, size}:
            theirs = stats.binomtest(numerator, size).proportion_ci(confidence_level=0.95, method="wilson")
            assert statistics._score_interval(numerator, size) == pytest.approx(tuple(theirs), rel=0, abs=CLOSE)


def test_binomial_quantiles_are_those_of_scipy() -> None:
    """The whole numbers are the same; between two of them, as a rate, to 12 digits."""
    for target in TARGETS:
        ours = [statistics._Binomial(size, target) for size in SIZES]
        for tail in (0.025, 0.975, 0.001, 0.999):
            least = stats.binom.ppf(tail, SIZES, target)
            upto, below = stats.binom.cdf(least, SIZES, target), stats.binom.cdf(least - 1, SIZES, target)
            theirs = (least - (upto - tail) / (upto - below)) / SIZES
            assert [counts.least(tail) for counts in ours] == list(least)
            rates = [counts.quantile(tail) / size for counts, size in zip(ours, SIZES, strict=True)]
            assert rates == pytest.approx(list(theirs), rel=0, abs=CLOSE)


# ---------------------------------------------------------------- exact tests and false discoveries


def test_the_lady_tasting_tea() -> None:
    """Fisher 1935, The Design of Experiments, chapter II: of 70 ways of choosing four cups one is all right and sixteen have
    three right; so three right, or more, or as few, is 34 of 70."""
    assert statistics.fisher(3, 4, 1, 4) == pytest.approx(34 / 70)
    assert statistics.fisher(4, 4, 0, 4) == pytest.approx(2 / 70)


def test_fisher_is_that_of_scipy() -> None:
    drawn = random.Random(5)
    for most in (5, 40, 600):
        for _ in range(200):
            sizes = drawn.randint(1, most), drawn.randint(1, most)
            counts = tuple(drawn.randint(0, size) for size in sizes)
            table = [[n, size - n] for n, size in zip(counts, sizes, strict=True)]
            ours = statistics.fisher(counts[0], sizes[0], counts[1], sizes[1])
            assert ours == pytest.approx(stats.fisher_exact(table)[1], rel=1e-6, abs=1e-200)


def test_the_least_that_fisher_can_say_is_the_least_over_all_tables() -> None:
    drawn = random.Random(6)
    for _ in range(150):
        size, other = drawn.randint(1, 25), drawn.randint(1, 25)
        total = drawn.randint(0, size + other)
        tables = range(max(0, total - other), min(total, size) + 1)
        least = min(statistics.fisher(n, size, total - n, other) for n in tables)
        for n in tables:
            assert statistics.least_fisher(n, size, total - n, other) == pytest.approx(least)


#: Benjamini and Hochberg 1995, J R Stat Soc B 57:289-300, section 3.2: fifteen hypotheses of a trial of thrombolysis.
P_VALUES = (
    0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1.0,
)  # fmt: skip


def test_false_discoveries_of_the_published_example() -> None:
    """The paper: at 0.05 the first four are told, where Bonferroni tells three."""
    assert statistics.false_discovery(P_VALUES, 0.05) == 0.0095
    assert statistics.false_discovery(P_VALUES[::-1], 0.05) == 0.0095
    assert statistics.false_discovery((0.2, 0.9), 0.05) == -1.0
    assert statistics.false_discovery((), 0.05) == -1.0


def test_false_discoveries_are_those_of_scipy() -> None:
    drawn = random.Random(8)
    for _ in range(100):
        values = [drawn.random() ** drawn.choice((1, 4)) for _ in range(drawn.randint(1, 60))]
        told = [value for value in values if value <= statistics.false_discovery(values, 0.05)]
        assert len(told) == sum(stats.false_discovery_control(values) <= 0.05)
