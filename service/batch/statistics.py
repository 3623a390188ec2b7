"""Rates with their uncertainty, control charts and funnels, exact tests and the rate of false discoveries.

The formulas are those of the publications named beside each function.
Everything is a function of whole numbers, so the same counts give the same bytes.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Mapping, Sequence
from itertools import accumulate
from math import exp, lgamma
from statistics import NormalDist
from typing import NamedTuple

#: Digits that are kept of a rate.
_DIGITS = 6
#: Tails of the 95 % and 99.8 % funnel limits, about two and three standard deviations (Spiegelhalter 2005).
FUNNEL_TAILS = {"95": 0.025, "99.8": 0.001}
#: Where a normal variable leaves 2.5 % on either side.
_NORMAL_95 = NormalDist().inv_cdf(0.975)
#: Of the probability of the likeliest count: what is less likely is left out.
_NEGLIGIBLE = 1e-18


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
    if not 0 <= numerator <= denominator:
        raise ValueError("more were counted than there are")
    return _band(*_score_interval(numerator, denominator))


def _score_interval(numerator: int, denominator: int) -> tuple[float, float]:
    square = _NORMAL_95**2
    width = 2 * (denominator + square)
    center = (2 * numerator + square) / width
    reach = _NORMAL_95 * (4 * numerator * (1 - numerator / denominator) + square) ** 0.5 / width
    # At the ends the formula gives the end itself, but for rounding.
    return center - reach if numerator else 0.0, center + reach if numerator < denominator else 1.0


def p_chart(center: float, size: int) -> Band:
    """Control limits for one period of ``size`` records: three standard deviations either side, cut at 0 and 1.

    Source: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.3.2,
    Proportions Control Charts.
    """
    if size < 1:
        raise ValueError("a period has at least one record")
    reach = 3 * (center * (1 - center) / size) ** 0.5
    return _band(center - reach, center + reach)


class _Binomial:
    """How often an event is seen in ``size`` trials of probability ``target``, which lies between 0 and 1.

    Probabilities are worked out from the likeliest count outward, each from its neighbor, as multiples of that of the
    likeliest: so none is lost in numbers too small to be held, and about 18 standard deviations of counts are looked at.
    """

    def __init__(self, size: int, target: float) -> None:
        odds = target / (1 - target)
        likeliest = min(int((size + 1) * target), size)
        below, above = [], []
        count, mass = likeliest, 1.0
        while count > 0 and mass > _NEGLIGIBLE:
            mass *= count / ((size - count + 1) * odds)
            count -= 1
            below.append(mass)
        self._first = count
        count, mass = likeliest, 1.0
        while count < size and mass > _NEGLIGIBLE:
            mass *= (size - count) * odds / (count + 1)
            count += 1
            above.append(mass)
        self._masses = [*reversed(below), 1.0, *above]
        self._upto = list(accumulate(self._masses))

    def least(self, tail: float) -> int:
        """The least count that is exceeded with no more than a probability of 1 - ``tail``."""
        return self._first + bisect_left(self._upto, tail * self._upto[-1])

    def quantile(self, tail: float) -> float:
        """The same between two whole numbers: less the share of its own probability that lies beyond ``tail``."""
        least = self.least(tail)
        place = least - self._first
        return least - (self._upto[place] - tail * self._upto[-1]) / self._masses[place]


def funnel(target: float, size: int, tails: Mapping[str, float] = FUNNEL_TAILS) -> dict[str, Band]:
    """Exact binomial limits around a target rate for a group of ``size`` records, interpolated, cut at 0 and 1.

    Source: Spiegelhalter 2005, Stat Med 24:1185-1202, appendix (from memory).
    Not adjusted for case mix or for more spread than chance between groups.
    """
    if size < 1:
        raise ValueError("a group has at least one record")
    if target in (0.0, 1.0):
        return dict.fromkeys(tails, Band(target, target))
    counts = _Binomial(size, target)
    return {name: _band(*(counts.quantile(side) / size for side in (tail, 1 - tail))) for name, tail in tails.items()}


#: Of the probability of the likeliest table: what is less likely than this cannot be held in a number.
_SMALLEST = 1e-300
#: Two tables of which one is this little likelier are equally likely (as R's fisher.test and SciPy have it).
_ALIKE = 1 + 1e-7


def fisher(numerator: int, denominator: int, other: int, other_denominator: int) -> float:
    """Fisher's exact test of two rates, two-sided: the probability of all tables no likelier than this one.

    Source: Fisher 1922, J R Stat Soc 85:87-94; two-sided as by Freeman and Halton 1951, Biometrika 38:141-149.
    """
    successes, total = numerator + other, denominator + other_denominator
    lowest, highest = max(0, successes - other_denominator), min(successes, denominator)
    likeliest = (successes + 1) * (denominator + 1) // (total + 2)
    masses = {likeliest: 1.0}
    count, mass = likeliest, 1.0
    while count > lowest and mass > _SMALLEST:
        mass *= count * (other_denominator - successes + count) / ((successes - count + 1) * (denominator - count + 1))
        count -= 1
        masses[count] = mass
    count, mass = likeliest, 1.0
    while count < highest and mass > _SMALLEST:
        mass *= (
            (successes - count) * (denominator - count) / ((count + 1) * (other_denominator - successes + count + 1))
        )
        count += 1
        masses[count] = mass
    most = masses.get(numerator, 0.0) * _ALIKE
    return min(1.0, sum(mass for mass in masses.values() if mass <= most) / sum(masses.values()))


def least_fisher(numerator: int, denominator: int, other: int, other_denominator: int) -> float:
    """The smallest p-value that ``fisher`` can give with these margins, whatever the split of the numerators.

    It does not depend on which records they are (Tarone 1990, Biometrics 46:515-522).
    """
    successes = numerator + other
    lowest, highest = max(0, successes - other_denominator), min(successes, denominator)
    if lowest == highest:
        return 1.0

    def chosen(of: int, some: int) -> float:
        return lgamma(of + 1) - lgamma(some + 1) - lgamma(of - some + 1)

    every = chosen(denominator + other_denominator, successes)
    ends = [
        exp(chosen(denominator, count) + chosen(other_denominator, successes - count) - every)
        for count in (lowest, highest)
    ]
    return sum(ends) if max(ends) <= min(ends) * _ALIKE else min(ends)


def false_discovery(values: Sequence[float], level: float) -> float:
    """The largest of these p-values that is told at a false discovery rate of ``level``; -1 where none is.

    Source: Benjamini and Hochberg 1995, J R Stat Soc B 57:289-300.
    """
    ordered = sorted(values)
    held = [value for rank, value in enumerate(ordered, 1) if value <= rank * level / len(ordered)]
    return held[-1] if held else -1.0


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
    upto = list(accumulate(counts[seconds] for seconds in ordered))
    records = upto[-1] if upto else 0
    if not records:
        return None

    def of_rank(rank: int) -> int:
        return ordered[bisect_left(upto, rank)]

    median = (of_rank((records + 1) // 2) + of_rank(records // 2 + 1)) / 2
    nine_of_ten = (9 * records + 9) // 10
    return Spread(median, of_rank(nine_of_ten), of_rank(records))
