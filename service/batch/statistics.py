"""Rates with their uncertainty, control charts and funnels.

The intervals and the quantiles of the binomial distribution are SciPy's; the
control limits are those of the published formulas named beside each function.
Everything is a function of whole numbers, so the same counts give the same bytes.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np

#: Digits that are kept of a rate.
_DIGITS = 6
#: Tails of the 95 % and 99.8 % funnel limits, about two and three standard deviations (Spiegelhalter 2005).
FUNNEL_TAILS = {"95": 0.025, "99.8": 0.001}
#: The tail that is reported for times.
TAIL = 0.9


class Band(NamedTuple):
    """Lower and upper limit of a rate, both in [0, 1]."""

    lower: float
    upper: float


def _band(lower: float, upper: float) -> Band:
    return Band(round(max(0.0, lower), _DIGITS), round(min(1.0, upper), _DIGITS))


def rate(numerator: int, denominator: int) -> float | None:
    """Numerator over denominator, None when nothing was counted."""
    return round(numerator / denominator, _DIGITS) if denominator else None


def wilson(numerator: int, denominator: int) -> Band | None:
    """The 95 % score interval of a proportion, without continuity correction; None when nothing was counted.

    Source: Wilson 1927, J Am Stat Assoc 22:209-212; method 3 of Newcombe 1998,
    Stat Med 17:857-872. Raises ValueError when the numerator is larger.
    """
    if not denominator:
        return None
    # Here and not above: 90 MB and half a second that only measures need.
    from scipy.stats import binomtest  # type: ignore[import-untyped,unused-ignore]

    found = binomtest(numerator, denominator).proportion_ci(confidence_level=0.95, method="wilson")
    return _band(float(found.low), float(found.high))


def p_chart(center: float, size: int) -> Band:
    """Control limits for one period of ``size`` records: three standard deviations either side, cut at 0 and 1.

    Source: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.3.2,
    Proportions Control Charts.
    """
    if size < 1:
        raise ValueError("a period has at least one record")
    reach = 3 * (center * (1 - center) / size) ** 0.5
    return _band(center - reach, center + reach)


def _quantiles(tail: float, sizes: Sequence[int], target: float) -> list[float]:
    """The ``tail`` quantile of a rate of each size, between two whole numbers where it falls there."""
    many = np.array(sizes, dtype=np.int64)
    from scipy.stats import binom  # type: ignore[import-untyped,unused-ignore]

    least = binom.ppf(tail, many, target)
    upto, below = binom.cdf(least, many, target), binom.cdf(least - 1, many, target)
    return [float(value) for value in (least - (upto - tail) / (upto - below)) / many]


def funnel(target: float, sizes: Sequence[int], tail: float) -> list[Band]:
    """Exact binomial limits around a target rate for groups of these sizes, interpolated, cut at 0 and 1.

    Source: Spiegelhalter 2005, Stat Med 24:1185-1202, appendix (from memory).
    Not adjusted for case mix or for more spread than chance between groups.
    """
    if min(sizes, default=1) < 1:
        raise ValueError("a group has at least one record")
    if target in (0.0, 1.0) or not sizes:
        return [Band(target, target)] * len(sizes)
    lower, upper = _quantiles(tail, sizes, target), _quantiles(1 - tail, sizes, target)
    return [_band(low, high) for low, high in zip(lower, upper, strict=True)]


class Spread(NamedTuple):
    """How times are spread, in seconds: the median, the value that nine of ten do not exceed, the longest."""

    median: float
    tail: int
    longest: int


def spread(counts: Mapping[int, int]) -> Spread | None:
    """The spread of times given as seconds -> how many records; None when there is none.

    The tail is a value that occurs (definition 1 of Hyndman and Fan 1996, Am Stat 50:361-365).
    """
    ordered = sorted(counts)
    if not ordered:
        return None
    every = np.repeat(np.array(ordered, dtype=np.int64), [counts[value] for value in ordered])
    tail = np.quantile(every, TAIL, method="inverted_cdf")
    return Spread(float(np.median(every)), int(tail), int(every[-1]))
