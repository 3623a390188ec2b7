"""Days between cases, against published worked examples."""

from __future__ import annotations

import pytest
from scipy import stats  # type: ignore[import-untyped,unused-ignore]

from service.batch import rare


def test_the_transformation_is_nelson_s() -> None:
    """Montgomery, Introduction to Statistical Quality Control, times between failures of a valve (from memory): hours, and
    the values to the power 0.2777, which is 1 / 3.6 cut to four digits."""
    hours = (286, 948, 536, 124, 816, 729, 4, 143, 431, 8, 2837, 596, 81, 227, 603, 492, 1199, 1214, 2831, 96)
    printed = (
        4.80986, 6.70903, 5.72650, 3.81367, 6.43541, 6.23705, 1.46958, 3.96768, 5.39007, 1.78151,
        9.09619, 5.89774, 3.38833, 4.51095, 5.91690, 5.59189, 7.16124, 7.18601, 9.09083, 3.55203,
    )  # fmt: skip
    assert [round(each**0.2777, 5) for each in hours] == pytest.approx(printed, abs=2e-5)
    assert rare.transformed(hours) == pytest.approx(printed, rel=1e-3)


def test_transformed_times_of_a_steady_rate_are_nearly_symmetric() -> None:
    """What the power is for: SciPy's quantiles of the exponential distribution lie evenly about their median."""
    low, middle, high = rare.transformed(stats.expon.ppf([0.1, 0.5, 0.9]))
    assert abs((high - middle) - (middle - low)) < 0.06 * (high - low)


def test_limits_of_individual_values() -> None:
    """NIST/SEMATECH e-Handbook 6.3.2.2, flow rates of ten batches: center 50.81, limits 45.8159 and 55.8041 (from memory)."""
    batches = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
    assert rare.limits(batches) == pytest.approx((50.81, 45.8159, 55.8041), abs=2e-4)


def test_between_cases() -> None:
    assert rare.between({}, 10) is None
    assert rare.between({3: 1}, 10) == rare.Between((), 7, None, None, None, ())
    # Two on one day are 0 days apart; fewer than ten times have no limits.
    assert rare.between({3: 2, 8: 1}, 8) == rare.Between((0, 5), 0, None, None, None, ())
    steady = dict.fromkeys(range(0, 110, 10), 1)
    found = rare.between(steady, 120)
    assert found is not None
    assert (found.center, found.lower, found.upper, found.beyond) == (10.0, 10.0, 10.0, ())
    far = rare.between({**dict.fromkeys(range(0, 220, 10), 1), 2_000: 1}, 2_000)
    assert far is not None
    assert far.beyond == (21,)
