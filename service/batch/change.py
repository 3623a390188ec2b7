"""What changed, and who differs, beyond chance: the first screen of the measures.

Over hundreds of measures something always looks changed. Each measure is asked
once whether it changed in time and once whether one group differs, by Fisher's
exact test over all the ways it is looked at (Bonferroni), and of all these
answers only so many are told that at most one in twenty is expected to be
chance (Benjamini and Hochberg 1995, J R Stat Soc B 57:289-300). Questions that
no record could have answered do not count (Gilbert 2005, J R Stat Soc C
54:143-158).
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from . import statistics

#: Expected share of chance among all that is told.
LEVEL = 0.05
#: Of that, the part for groups, where there are any: then time keeps four fifths.
_FOR_GROUPS = 0.01
#: Lines of the first screen.
MOST_LINES = 10
#: Where a year is cut in two: after a quarter, half and three quarters of its periods.
_QUARTERS = (0.25, 0.5, 0.75)

#: (numerator, denominator).
Count = tuple[int, int]


@dataclass(frozen=True, slots=True)
class Series:
    """The counts of one measure. ``periods``: one for each of the periods, in order; ``groups``: by name, those that are shown.

    ``good``: ``more`` or ``fewer``. ``all``: over all records, those without a period or group too.
    """

    id: str
    good: str
    rules: tuple[str, ...]
    all: Count
    periods: Sequence[Count] = ()
    groups: Mapping[str, Count] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Told:
    """One line. ``change``: better, worse or look. ``one`` and ``other``: before and after, or the group and all others.

    ``at``: the first period of the later part, or None; ``group``: the group, or None. ``also``: measures that say the same.
    """

    id: str
    change: str
    p: float
    one: Count
    other: Count
    at: int | None = None
    group: str | None = None
    also: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Question:
    """All the ways in which one measure is cut in two. ``least``: the smallest p-value that its margins allow."""

    series: Series
    cuts: Sequence[tuple[Any, Count, Count]]

    @property
    def least(self) -> float:
        return min(1.0, len(self.cuts) * min(statistics.least_fisher(*one, *other) for _, one, other in self.cuts))

    def answer(self) -> tuple[float, Any, Count, Count]:
        """The p-value over all cuts, and the cut that it rests on."""
        p, index = min((statistics.fisher(*one, *other), index) for index, (_, one, other) in enumerate(self.cuts))
        return (min(1.0, len(self.cuts) * p), *self.cuts[index])


def cuts(periods: int, marks: Iterable[int] = ()) -> list[int]:
    """The periods before which time is cut in two: quarters and the marks."""
    found = {round(periods * share) for share in _QUARTERS} | set(marks)
    return sorted(at for at in found if 0 < at < periods)


def told(series: Sequence[Series], periods: int, marks: Iterable[int] = ()) -> tuple[list[Told], int]:
    """(every line that is told, the surest first; how many questions were asked). ``marks``: numbers of periods."""
    at = cuts(periods, marks)
    in_time = [_Question(one, _in_time(one, at)) for one in series if at]
    of_groups = [_Question(one, _of_groups(one)) for one in series if len(one.groups) > 1]
    share = _FOR_GROUPS if in_time and of_groups else LEVEL
    lines, asked = _family(in_time, LEVEL - share if of_groups else LEVEL, _changed)
    more, as_well = _family(of_groups, share, _apart)
    return _merged([*lines, *more], series), asked + as_well


def first_lines(lines: Sequence[Told]) -> list[Told]:
    """The lines of the first screen: of what got worse, what to look at and what got better in turn, the surest first."""
    queues = [[line for line in lines if line.change == change] for change in ("worse", "look", "better")]
    out: list[Told] = []
    while len(out) < MOST_LINES and any(queues):
        out += [queue.pop(0) for queue in queues if queue]
    return out[:MOST_LINES]


def _in_time(one: Series, at: Iterable[int]) -> list[tuple[int, Count, Count]]:
    return [(cut, _sum(one.periods[:cut]), _sum(one.periods[cut:])) for cut in at]


def _of_groups(one: Series) -> list[tuple[str, Count, Count]]:
    whole = one.all
    return [(name, (n, d), (whole[0] - n, whole[1] - d)) for name, (n, d) in one.groups.items()]


def _sum(counts: Iterable[Count]) -> Count:
    listed = list(counts)
    return sum(n for n, _ in listed), sum(d for _, d in listed)


def _family(
    questions: Iterable[_Question], level: float, line: Callable[[Series, float, Any, Count, Count], Told]
) -> tuple[list[Told], int]:
    """The lines whose questions are answered at a false discovery rate of ``level``, and how many were asked."""
    pairs = sorted(((question.least, question) for question in questions), key=lambda pair: pair[0])
    least = [smallest for smallest, _ in pairs]
    # Gilbert's step: the smallest number K of questions of which no more than K can reach level / K.
    number = next((k for k in range(1, len(pairs) + 1) if bisect_right(least, level / k) <= k), 1)
    asked = [question for _, question in pairs[: bisect_right(least, level / number)]]
    answers = [(question.answer(), question.series) for question in asked]
    told_up_to = statistics.false_discovery([p for (p, *_), _ in answers], level)
    return [line(one, *answer) for answer, one in answers if answer[0] <= told_up_to], len(asked)


def _changed(one: Series, p: float, at: int, before: Count, after: Count) -> Told:
    rose = after[0] * before[1] > before[0] * after[1]
    return Told(one.id, "better" if rose is (one.good == "more") else "worse", p, before, after, at=at)


def _apart(one: Series, p: float, group: str, own: Count, others: Count) -> Told:
    return Told(one.id, "look", p, own, others, group=group)


def _merged(lines: Sequence[Told], series: Sequence[Series]) -> list[Told]:
    """One line for what several measures say of the same rules: that of the surest, with the ids of the others."""
    rules = {one.id: frozenset(one.rules) or {one.id} for one in series}
    left = sorted(lines, key=lambda line: (line.p, line.id))
    out = []
    while left:
        first, *rest = left
        alike = [
            line
            for line in rest
            if (line.change, line.group) == (first.change, first.group) and rules[line.id] & rules[first.id]
        ]
        out.append(replace(first, also=tuple(line.id for line in alike)))
        left = [line for line in rest if line not in alike]
    return out
