"""Time between cases of harm: a t chart. Cases are few, so a rate says little; the days between them say more.

Days are taken to the power 1 / 3.6, by which times between events of a steady
rate are nearly normal (Nelson 1994, J Qual Technol 26:239-241), and charted as
individual values with limits from their moving range (NIST/SEMATECH e-Handbook
6.3.2.2).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from itertools import pairwise
from typing import NamedTuple

#: Exponent of the transformation.
POWER = 1 / 3.6
#: Three standard deviations, of which the mean moving range is 1.128 (NIST/SEMATECH e-Handbook 6.3.2.2).
_LIMITS = 3 / 1.128
#: Fewer times between cases have no limits (common practice).
ENOUGH = 10


class Between(NamedTuple):
    """Days between one case and the next. ``center``, ``lower``, ``upper``: in days, None where there are too few.

    ``since``: days from the last case to the last record. ``beyond``: numbers of the times beyond a limit.
    """

    days: tuple[int, ...]
    since: int
    center: float | None
    lower: float | None
    upper: float | None
    beyond: tuple[int, ...]


def between(cases: Mapping[int, int], last: int) -> Between | None:
    """The times between cases given as day -> how many, up to the day of the last record; None without a case.

    Two cases of one day are 0 days apart.
    """
    ordered = [day for day in sorted(cases) for _ in range(cases[day])]
    if not ordered:
        return None
    days = tuple(after - before for before, after in pairwise(ordered))
    since = last - ordered[-1]
    if len(days) < ENOUGH:
        return Between(days, since, None, None, None, ())
    center, lower, upper = limits(transformed(days))
    low, high = (round(max(0.0, limit) ** 3.6, 2) for limit in (lower, upper))
    beyond = tuple(index for index, each in enumerate(days) if not low <= each <= high)
    return Between(days, since, round(center**3.6, 2), low, high, beyond)


def transformed(days: Iterable[float]) -> list[float]:
    """Each to the power 1 / 3.6."""
    return [float(each) ** POWER for each in days]


def limits(values: list[float]) -> tuple[float, float, float]:
    """(center, lower, upper) of an individuals chart."""
    center = sum(values) / len(values)
    moving = sum(abs(after - before) for before, after in pairwise(values)) / (len(values) - 1)
    return center, center - _LIMITS * moving, center + _LIMITS * moving
