"""Quality measures over many episodes: counts, and the document made of them.

Counts are kept, not records, and adding them up in any order gives the same
bytes: so a run on several machines gives the same answer as one on one.

A rate says what is charted. It is a documentation rate, never a rate of safe
care, and no person is ranked: groups are the caller's own (a station, a unit,
a shift), stand in the order of their names, and small ones are not shown.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from service.checkpoint import Checkpoint, never
from service.pipeline import Pipeline
from service.review.build import CAUTIONS

from . import lines, statistics, tables
from .definitions import (
    CLEAR,
    ERROR,
    FINDING,
    NONE,
    NOT_APPLICABLE,
    NOT_ASSESSABLE,
    OFF,
    OUTCOMES,
    TIMES,
    UNDATED,
    UNKNOWN,
    WITHOUT,
    Measure,
    measures_of,
    outcomes,
    period,
)
from .groups import group_of
from .lines import Answer

PERIODS = ("month", "week")
#: A group of fewer records is not shown: the limit of the cell size policy of the Centers for Medicare & Medicaid
#: Services, under which counts of 1 to 10 are suppressed (from memory).
LEAST_GROUP = 11
#: More groups than this are probably persons or episodes, and more periods wrong dates: then none is shown.
MOST_GROUPS = 200
MOST_PERIODS = 1_000
#: Share of records that could not be assessed above which a rate is shown in grey.
MOST_UNASSESSED = 0.2
#: Fewer periods make the limits of a control chart provisional (20 to 25 is what textbooks ask for; from memory).
ENOUGH_PERIODS = 20
_WIDTH = len(OUTCOMES)

NOTES = (
    "Every rate is a documentation rate: it counts what the records show, not what was done. It is no rate of safe care.",
    "Denominator: records with a finding and clear ones. Not applicable, not assessable, error and not evaluated stand beside it.",
    "A published item counts a record as showing it only if every rule that answers it does; where rules ask for entries, those alone count. "
    "Which rules stands with each item.",
    "Intervals: 95 % Wilson score. Trends: p-chart with limits at three standard deviations. Funnels: exact binomial limits at 95 % and 99.8 %.",
    "Groups are the caller's own, in the order of their names, and no ranking; never give a person as a group. "
    f"Groups of fewer than {LEAST_GROUP} records are not shown. This is no disclosure control for publishing.",
    "Limits know nothing of differences between patients. A point beyond a limit is a question, not an answer.",
    "Times are as charted, in whole minutes at best. Records without an entry have no time and stand beside the median; the median alone flatters.",
)


class Tally:
    """Counts over so many measures. Its size does not grow with the number of records."""

    def __init__(self, measures: int) -> None:
        self._measures = measures
        self.lines = dict.fromkeys(
            ("read", "reviewed", "rejected", "not_evaluated", "undated", "without_group", "unreadable_group"), 0
        )
        #: For each measure in order, the number of records with each of ``OUTCOMES``.
        self.all = [0] * (measures * _WIDTH)
        #: The same by period and by group; None: too many to be shown.
        self.periods: dict[str, list[int]] | None = {}
        self.groups: dict[str, list[int]] | None = {}
        self.times: dict[str, dict[int, int]] = {time.id: {} for time in TIMES}
        self.no_time = {time.id: dict.fromkeys((WITHOUT, UNKNOWN, NONE), 0) for time in TIMES}

    def add(self, found: Answer, group: str | None, measures: tuple[Measure, ...], length: str) -> None:
        """Count one line. ``group`` as of ``groups.group_of``; ``length`` of a period: month or week."""
        self.lines["read"] += 1
        if found.review is None:
            self.lines["not_evaluated" if found.status >= 500 else "rejected"] += 1
            return
        self.lines["reviewed"] += 1
        cells = [index * _WIDTH + OUTCOMES.index(o) for index, o in enumerate(outcomes(measures, found.review))]
        when = period(found.review, length)
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
                self.times[time.id][value] = self.times[time.id].get(value, 0) + 1
        self._cap()

    def merge(self, other: Tally) -> None:
        """Add the counts of another tally over the same measures; the order of merging changes nothing."""
        for name, count in other.lines.items():
            self.lines[name] += count
        _add(self.all, other.all)
        self.periods = _merged(self.periods, other.periods)
        self.groups = _merged(self.groups, other.groups)
        for id_, counts in other.times.items():
            for value, count in counts.items():
                self.times[id_][value] = self.times[id_].get(value, 0) + count
            for name, count in other.no_time[id_].items():
                self.no_time[id_][name] += count
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


# ---------------------------------------------------------------- the document


def measures(
    pipeline: Pipeline, given: Iterable[bytes | None], profile: str = "default", length: str = "month"
) -> dict[str, Any]:
    """The measures (``document``) over every line that is not empty. ``length`` of a period: month or week.

    Raises UnknownProfile, and ValueError for another length. Of a line only its group stands in the answer.
    """
    versions = lines.versions(pipeline, profile)
    if length not in PERIODS:
        raise ValueError("the length of a period is month or week")
    wanted = measures_of(pipeline.rulebook)
    tally = Tally(len(wanted))
    for number, line in enumerate(given, 1):
        if not lines.is_empty(line):
            count(pipeline, tally, wanted, line, number, profile, length)
    return document(tally, wanted, versions, length)


def count(
    pipeline: Pipeline,
    tally: Tally,
    wanted: tuple[Measure, ...],
    line: lines.Source,
    number: int,
    profile: str,
    length: str,
    checkpoint: Checkpoint = never,
) -> Answer:
    """Review one line and count it."""
    found = lines.answer(pipeline, line, number, profile, checkpoint=checkpoint)
    tally.add(found, group_of(line) if found.review is not None and isinstance(line, bytes) else None, wanted, length)
    return found


def document(tally: Tally, wanted: tuple[Measure, ...], versions: Mapping[str, str], length: str) -> dict[str, Any]:
    """The counts with rates, intervals, trends and funnels, as plain data in a fixed order."""
    return {
        "versions": dict(versions),
        "period": length,
        "lines": dict(tally.lines),
        "too_many": {"periods": tally.periods is None, "groups": tally.groups is None},
        "measures": [_measure(tally, index, measure) for index, measure in enumerate(wanted)],
        "times": [_time(tally, index) for index in range(len(TIMES))],
        "notes": list(NOTES),
        "cautions": list(CAUTIONS),
    }


def _measure(tally: Tally, index: int, measure: Measure) -> dict[str, Any]:
    counted = tally.entry(tally.all, index)
    numerator, denominator = counted[measure.counts], counted[CLEAR] + counted[FINDING]
    aside = {name: counted[name] for name in (NOT_APPLICABLE, NOT_ASSESSABLE, ERROR, OFF)}
    aside["not_evaluated"] = tally.lines["not_evaluated"]
    untold = aside[NOT_ASSESSABLE] + aside[ERROR] + aside["not_evaluated"]
    share = statistics.rate(untold, untold + denominator)
    out: dict[str, Any] = {
        "id": measure.id,
        "kind": measure.kind,
        "title": measure.title,
        "category": measure.category,
        "phase": measure.phase,
        "rules": list(measure.rules),
        "source": dict(measure.source),
        "counts": measure.counts,
        "numerator": numerator,
        "denominator": denominator,
        "documentation_rate": statistics.rate(numerator, denominator),
        "interval_95": _pair(statistics.wilson(numerator, denominator)),
        "aside": aside,
        "unassessed_share": share,
        "greyed": share is not None and share > MOST_UNASSESSED,
    }
    if tally.periods is not None:
        out["trend"] = _trend({key: tally.entry(cells, index) for key, cells in tally.periods.items()}, measure.counts)
    if tally.groups is not None:
        out["funnel"] = _funnel({key: tally.entry(cells, index) for key, cells in tally.groups.items()}, measure.counts)
    return out


def _pair(band: statistics.Band | None) -> dict[str, float] | None:
    return None if band is None else {"lower": band.lower, "upper": band.upper}


def _point(counted: Mapping[str, int], counts: str) -> dict[str, Any]:
    denominator = counted[CLEAR] + counted[FINDING]
    rate = statistics.rate(counted[counts], denominator)
    return {"numerator": counted[counts], "denominator": denominator, "documentation_rate": rate}


def _outside(rate: float, band: statistics.Band) -> bool:
    return not band.lower <= rate <= band.upper


def _trend(periods: Mapping[str, Mapping[str, int]], counts: str) -> dict[str, Any]:
    """A p-chart with one point for each period that has a denominator."""
    points = {key: point for key in sorted(periods) if (point := _point(periods[key], counts))["denominator"]}
    total = sum(point["denominator"] for point in points.values())
    if not total:
        return {"center": None, "provisional": True, "points": []}
    center = sum(point["numerator"] for point in points.values()) / total
    out = []
    for key, point in points.items():
        band = statistics.p_chart(center, point["denominator"])
        out.append(
            {
                "period": key,
                **point,
                "lower": band.lower,
                "upper": band.upper,
                "beyond": _outside(point["documentation_rate"], band),
            }
        )
    return {"center": round(center, 6), "provisional": len(out) < ENOUGH_PERIODS, "points": out}


def _suppressed(sizes: Mapping[str, int]) -> set[str]:
    """The groups that are not shown: small ones, and the next smallest until no small one follows from a sum."""
    ordered = sorted((size, key) for key, size in sizes.items())
    hidden = [(size, key) for size, key in ordered if size < LEAST_GROUP]
    while hidden and len(hidden) < len(ordered) and (len(hidden) < 2 or sum(size for size, _ in hidden) < LEAST_GROUP):
        hidden.append(ordered[len(hidden)])
    return {key for _, key in hidden}


def _funnel(groups: Mapping[str, Mapping[str, int]], counts: str) -> dict[str, Any]:
    """The groups that are shown, in the order of their names, against the rate of all groups together."""
    points = {key: point for key in sorted(groups) if (point := _point(groups[key], counts))["denominator"]}
    hidden = _suppressed({key: point["denominator"] for key, point in points.items()})
    total = sum(point["denominator"] for point in points.values())
    shown = {key: point for key, point in points.items() if key not in hidden}
    aside = {"groups": len(hidden), "records": sum(points[key]["denominator"] for key in hidden)}
    if not shown:
        return {"target": None, "groups": [], "suppressed": aside}
    target = sum(point["numerator"] for point in points.values()) / total
    out = []
    for key, point in shown.items():
        limits = statistics.funnel(target, point["denominator"])
        beyond = next((name for name in ("99.8", "95") if _outside(point["documentation_rate"], limits[name])), None)
        out.append(
            {"group": key, **point, "limits": {name: _pair(band) for name, band in limits.items()}, "beyond": beyond}
        )
    return {"target": round(target, 6), "groups": out, "suppressed": aside}


def _time(tally: Tally, index: int) -> dict[str, Any]:
    time = TIMES[index]
    counts = tally.times[time.id]
    found = statistics.spread(counts)
    return {
        "id": time.id,
        "title": time.title,
        "unit": "s",
        "records": sum(counts.values()),
        "median": None if found is None else found.median,
        "nine_of_ten_within": None if found is None else found.tail,
        "longest": None if found is None else found.longest,
        "without": time.without,
        **tally.no_time[time.id],
        "not_evaluated": tally.lines["not_evaluated"],
    }


# ---------------------------------------------------------------- for spreadsheets

COLUMNS = (
    "scope", "key", "id", "kind", "title", "category", "phase", "counts", "numerator", "denominator", "documentation_rate", "lower", "upper",
    "limits", "beyond", "not_applicable", "not_assessable", "error", "off", "not_evaluated", "unassessed_share", "greyed",
    "records", "median_s", "nine_of_ten_within_s", "longest_s", "without_entry", "profile", "ruleset", "ruleset_digest",
)  # fmt: skip


def to_csv(found: Mapping[str, Any]) -> bytes:
    """The document as CSV. ``scope``: all, period, group or time; ``limits`` says what lower and upper are."""
    same = {name: found["versions"][name] for name in ("profile", "ruleset", "ruleset_digest")}
    return tables.heading(COLUMNS) + tables.rows(COLUMNS, (row | same for row in _rows(found)))


def _rows(found: Mapping[str, Any]) -> Iterable[dict[str, Any]]:
    for measure in found["measures"]:
        head = {name: measure[name] for name in ("id", "kind", "title", "category", "phase", "counts")}
        rate = {name: measure[name] for name in ("numerator", "denominator", "documentation_rate")}
        aside = {**measure["aside"], "unassessed_share": measure["unassessed_share"], "greyed": measure["greyed"]}
        yield {"scope": "all", **head, **rate, **(measure["interval_95"] or {}), "limits": "Wilson 95 %", **aside}
        for point in measure.get("trend", {"points": []})["points"]:
            yield {"scope": "period", "key": point["period"], **head, **point, "limits": "p-chart"}
        for point in measure.get("funnel", {"groups": []})["groups"]:
            for name, band in point["limits"].items():
                yield {
                    "scope": "group",
                    "key": point["group"],
                    **head,
                    **point,
                    "limits": f"funnel {name} %",
                    **band,
                    "beyond": point["beyond"] or False,
                }
    for time in found["times"]:
        named = {f"{name}_s": time[name] for name in ("median", "nine_of_ten_within", "longest")}
        yield {
            "scope": "time",
            "kind": "time",
            **{name: time[name] for name in ("id", "title", "records", WITHOUT, UNKNOWN, NONE, "not_evaluated")},
            **named,
        }
