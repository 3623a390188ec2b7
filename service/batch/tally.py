"""What is counted over many episodes, and how counts are added up: in any order with the same result."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from typing import NamedTuple

from .definitions import FINDING, NONE, OUTCOMES, TIMES, UNDATED, UNKNOWN, WITHOUT, Measure, day_of, outcomes, period
from .lines import Answer
from .verdicts import Verdicts

#: More groups than this are probably persons or episodes, and more periods wrong dates: then none is shown.
MOST_GROUPS = 200
MOST_PERIODS = 1_000
#: Charts that are listed for one measure.
MOST_CHARTS = 25
_WIDTH = len(OUTCOMES)


class Chart(NamedTuple):
    """A chart that is listed for a measure. ``day`` as ISO 8601, empty without any time."""

    file: str
    line: int
    episode_ref: str
    day: str


class Tally:
    """Counts over measures. Its size does not grow with the number of records, but with the days on which there was harm."""

    def __init__(self, wanted: tuple[Measure, ...], verdicts: Verdicts | None = None, *, charts: bool = False) -> None:
        names = ("read", "reviewed", "rejected", "not_evaluated", "undated", "without_group", "unreadable_group")
        self.lines = Counter(dict.fromkeys(names, 0))
        #: For each measure in order, the number of records with each of ``OUTCOMES``.
        self.all = [0] * (len(wanted) * _WIDTH)
        #: The same by period and by group; None: too many to be shown.
        self.periods: dict[str, list[int]] | None = {}
        self.groups: dict[str, list[int]] | None = {}
        self.times = {time.id: Counter[int]() for time in TIMES}
        self.no_time = {time.id: Counter(dict.fromkeys((WITHOUT, UNKNOWN, NONE), 0)) for time in TIMES}
        #: First and last day of a record, as ordinals.
        self.days: tuple[int, int] | None = None
        #: Of each measure of harm: day -> cases.
        self.cases = {measure.id: Counter[int]() for measure in wanted if measure.is_harm}
        self.verdicts = verdicts
        #: Of each measure the first charts with a finding, where charts are listed.
        self.charts: dict[str, list[Chart]] | None = {measure.id: [] for measure in wanted} if charts else None

    def add(self, found: Answer, group: str | None, measures: tuple[Measure, ...], length: str, file: str = "") -> None:
        """Count one line. ``group`` as of ``groups.group_of``; ``length`` of a period: month or week; ``file``: its name."""
        self.lines["read"] += 1
        if found.review is None:
            self.lines["not_evaluated" if found.status >= 500 else "rejected"] += 1
            return
        self.lines["reviewed"] += 1
        said = list(outcomes(measures, found.review))
        cells = [index * _WIDTH + OUTCOMES.index(outcome) for index, outcome in enumerate(said)]
        day = day_of(found.review)
        when = period(day, length)
        targets = [self.all]
        if when == UNDATED:
            self.lines["undated"] += 1
        elif self.periods is not None:
            targets.append(self.periods.setdefault(when, [0] * len(self.all)))
        if not group:
            self.lines["without_group" if group is None else "unreadable_group"] += 1
        elif self.groups is not None:
            targets.append(self.groups.setdefault(group, [0] * len(self.all)))
        for target in targets:
            for cell in cells:
                target[cell] += 1
        for time in TIMES:
            value = time.ask(found.review.intake.episode, found.review.sheet)
            if isinstance(value, str):
                self.no_time[time.id][value] += 1
            else:
                self.times[time.id][value] += 1
        self._cap()
        failed = [measure.id for measure, outcome in zip(measures, said, strict=True) if outcome == FINDING]
        if day is not None:
            self._dated(day.toordinal(), failed)
        if self.verdicts is not None:
            self.verdicts.add(found.review.document)
        if self.charts is not None:
            chart = Chart(
                file, found.number, str(found.review.document["episode_ref"]), "" if day is None else day.isoformat()
            )
            for id_ in failed:
                self.charts[id_] = _first([*self.charts[id_], chart])

    def _dated(self, day: int, failed: Iterable[str]) -> None:
        first, last = self.days or (day, day)
        self.days = (min(first, day), max(last, day))
        for id_ in failed:
            if id_ in self.cases:
                self.cases[id_][day] += 1

    def merge(self, other: Tally) -> None:
        """Add the counts of another tally over the same measures; the order of merging changes nothing."""
        self.lines.update(other.lines)
        _add(self.all, other.all)
        self.periods = _merged(self.periods, other.periods)
        self.groups = _merged(self.groups, other.groups)
        for id_, counts in other.times.items():
            self.times[id_].update(counts)
            self.no_time[id_].update(other.no_time[id_])
        if other.days is not None:
            for day in other.days:
                self._dated(day, ())
        for id_, cases in other.cases.items():
            self.cases[id_].update(cases)
        if self.verdicts is not None and other.verdicts is not None:
            self.verdicts.merge(other.verdicts)
        if self.charts is not None and other.charts is not None:
            self.charts = {id_: _first([*charts, *other.charts[id_]]) for id_, charts in self.charts.items()}
        self._cap()

    def _cap(self) -> None:
        if self.periods is not None and len(self.periods) > MOST_PERIODS:
            self.periods = None
        if self.groups is not None and len(self.groups) > MOST_GROUPS:
            self.groups = None

    def entry(self, cells: list[int], index: int) -> dict[str, int]:
        """Outcome -> number of records, of the measure ``index`` in ``cells``."""
        return dict(zip(OUTCOMES, cells[index * _WIDTH : (index + 1) * _WIDTH], strict=True))


def _add(to: list[int], more: list[int]) -> None:
    for index, count in enumerate(more):
        if count:
            to[index] += count


def _merged(left: dict[str, list[int]] | None, right: dict[str, list[int]] | None) -> dict[str, list[int]] | None:
    if left is None or right is None:
        return None
    for key, cells in right.items():
        _add(left.setdefault(key, [0] * len(cells)), cells)
    return left


def _first(charts: list[Chart]) -> list[Chart]:
    return sorted(charts)[:MOST_CHARTS]
