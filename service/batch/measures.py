"""Quality measures over many episodes: counts, and the document made of them.

Counts are kept, not records, and adding them up in any order gives the same
bytes: so a run on several machines gives the same answer as one on one.

A rate says what is charted. It is a documentation rate, never a rate of safe
care, and no person is ranked: groups are the caller's own (a station, a unit,
a shift), stand in the order of their names, and small ones are not shown.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from service.checkpoint import Checkpoint, never
from service.pipeline import Pipeline
from service.review.build import CAUTIONS

from . import change, lines, rare, rates, statistics
from .definitions import CLEAR, ERROR, FINDING, NOT_APPLICABLE, NOT_ASSESSABLE, OFF, TIMES, Measure, period
from .groups import group_of
from .lines import Answer
from .tally import Tally

PERIODS = ("month", "week")
#: Share of records that could not be assessed above which a rate is shown in grey.
MOST_UNASSESSED = 0.2

NOTES = (
    "Every rate is a documentation rate: it counts what the records show, not what was done. It is no rate of safe care.",
    "What a rate counts is its title: of published items what is achieved, of rules what is wrong, of harm the cases.",
    "Denominator: records with a finding and clear ones. Not applicable, not assessable, error and not evaluated stand beside it.",
    "A published item counts a record as showing it only if every rule that answers it does; where rules ask for entries, those alone count. "
    "Which rules stands with each item.",
    "First lines: each measure is asked once whether it changed (Fisher's exact test at quarters of the time and at the "
    "marked days) and once whether a group differs; told is what is held to a false discovery rate of 5 % over all of them.",
    "Intervals: 95 % Wilson score. Run charts: six points in a row on one side of the median are a shift, five that go on rising or "
    "falling a trend (Perla, Provost and Murray 2011); over many charts some do so by chance. The median is frozen from the first 12 points.",
    "p-charts: limits at three standard deviations. Funnels: exact binomial limits at 95 % and 99.8 %.",
    "Time between cases: t chart (Nelson 1994); limits from ten times between on. More days between are better.",
    "Groups are the caller's own, in the order of their names, and no ranking; never give a person as a group. "
    f"Groups of fewer than {rates.LEAST_GROUP} records are not shown. This is no disclosure control for publishing.",
    "Limits know nothing of differences between patients. A point beyond a limit is a question, not an answer.",
    "Times are as charted, in whole minutes at best. Records without an entry have no time and stand beside the median; the median alone flatters.",
)


@dataclass(frozen=True, slots=True)
class Look:
    """How the caller wants to look. ``period``: month or week; ``marks``: days on which something changed, with a word for
    it; ``baseline``: the last day of the periods whose median is frozen."""

    period: str = "month"
    marks: tuple[tuple[date, str], ...] = ()
    baseline: date | None = None


def count(
    pipeline: Pipeline,
    tally: Tally,
    wanted: tuple[Measure, ...],
    line: lines.Source,
    number: int,
    profile: str,
    length: str,
    checkpoint: Checkpoint = never,
    file: str = "",
) -> Answer:
    """Review one line and count it. ``file``: its name, for a tally that lists charts."""
    found = lines.answer(pipeline, line, number, profile, checkpoint=checkpoint)
    group = group_of(line) if found.review is not None and isinstance(line, bytes) else None
    tally.add(found, group, wanted, length, file)
    return found


def document(tally: Tally, wanted: tuple[Measure, ...], versions: Mapping[str, str], look: Look) -> dict[str, Any]:
    """The counts with rates, intervals, trends and funnels, as plain data in a fixed order; what stands out before all."""
    made = [_measure(tally, index, measure, look) for index, measure in enumerate(wanted)]
    marks = [{"day": day.isoformat(), "text": text, "period": period(day, look.period)} for day, text in look.marks]
    out = {
        "versions": dict(versions),
        "period": look.period,
        "days": None
        if tally.days is None
        else {name: _day(day) for name, day in zip(("first", "last"), tally.days, strict=True)},
        "marks": marks,
        "lines": dict(tally.lines),
        "too_many": {"periods": tally.periods is None, "groups": tally.groups is None},
        "first": _first(tally, wanted, made, [mark["period"] for mark in marks]),
        "harm": _harm(tally, wanted, made),
        "measures": made,
        "times": [_time(tally, index) for index in range(len(TIMES))],
        "notes": list(NOTES),
        "cautions": list(CAUTIONS),
    }
    if tally.verdicts is not None:
        out["verdicts"] = tally.verdicts.document(wanted)
    return out


def _day(ordinal: int) -> str:
    return date.fromordinal(ordinal).isoformat()


def _measure(tally: Tally, index: int, measure: Measure, look: Look) -> dict[str, Any]:
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
        "severity": measure.severity,
        "rules": list(measure.rules),
        "source": dict(measure.source),
        "counts": measure.counts,
        "good": measure.good,
        "numerator": numerator,
        "denominator": denominator,
        "documentation_rate": statistics.rate(numerator, denominator),
        "interval_95": rates.pair(statistics.wilson(numerator, denominator)),
        "aside": aside,
        "unassessed_share": share,
        "greyed": share is not None and share > MOST_UNASSESSED,
    }
    baseline = None if look.baseline is None else period(look.baseline, look.period)
    if tally.periods is not None:
        by_period = {key: tally.entry(cells, index) for key, cells in tally.periods.items()}
        out["trend"] = rates.trend(by_period, measure.counts, baseline)
    if tally.groups is not None:
        by_group = {key: tally.entry(cells, index) for key, cells in tally.groups.items()}
        out["funnel"] = rates.funnel(by_group, measure.counts)
    return out


# ---------------------------------------------------------------- what stands out


def _first(
    tally: Tally, wanted: tuple[Measure, ...], made: list[dict[str, Any]], marks: Iterable[str]
) -> dict[str, Any]:
    """The lines of the first screen. ``more``: lines that are held to the same rate and have no room there."""
    periods = sorted(tally.periods or {})
    at = {sum(each < mark for each in periods) for mark in marks}
    given = [_series(measure, one, periods) for measure, one in zip(wanted, made, strict=True)]
    told, asked = change.told(given, len(periods), at)
    shown = change.first_lines(told)
    titles = {measure.id: measure.title for measure in wanted}
    return {
        "false_discovery_rate": change.LEVEL,
        "asked": asked,
        "more": len(told) - len(shown),
        "lines": [_line(line, titles[line.id], periods) for line in shown],
    }


def _series(measure: Measure, made: Mapping[str, Any], periods: Iterable[str]) -> change.Series:
    points = {point["period"]: point for point in made.get("trend", {"points": ()})["points"]}
    groups = made.get("funnel", {"groups": ()})["groups"]
    return change.Series(
        measure.id,
        measure.good,
        measure.rules,
        (made["numerator"], made["denominator"]),
        [_count(points[each]) if each in points else (0, 0) for each in periods],
        {point["group"]: _count(point) for point in groups},
    )


def _count(point: Mapping[str, Any]) -> change.Count:
    return point["numerator"], point["denominator"]


def _line(line: change.Told, title: str, periods: list[str]) -> dict[str, Any]:
    """``compared``: the earlier and the later part, or the group and all others."""
    if line.at is None:
        names = [str(line.group), "all others"]
    else:
        names = [_span(periods[: line.at]), _span(periods[line.at :])]
    compared = [
        {"of": name, "numerator": n, "denominator": d, "documentation_rate": statistics.rate(n, d)}
        for name, (n, d) in zip(names, (line.one, line.other), strict=True)
    ]
    return {
        "measure": line.id,
        "title": title,
        "change": line.change,
        "from": None if line.at is None else periods[line.at],
        "group": line.group,
        "compared": compared,
        "p_value": float(f"{line.p:.3g}"),
        "also": list(line.also),
    }


def _span(periods: list[str]) -> str:
    return periods[0] if len(periods) == 1 else f"{periods[0]} to {periods[-1]}"


def _harm(tally: Tally, wanted: tuple[Measure, ...], made: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Cases of harm and the days between them: deaths and arrests first, then those with most cases."""
    out = []
    for measure, one in zip(wanted, made, strict=True):
        if not measure.is_harm:
            continue
        cases = tally.cases[measure.id]
        found = None if tally.days is None or not cases else rare.between(cases, tally.days[1])
        out.append(
            {
                "measure": measure.id,
                "title": measure.title,
                "cases": one["numerator"],
                "denominator": one["denominator"],
                "not_assessable": one["aside"][NOT_ASSESSABLE],
                "last_case": _day(max(cases)) if cases else None,
                "between": None if found is None else rates.plain(found),
            }
        )
    grave = {measure.id for measure in wanted if measure.concern == "arrest_or_death" or measure.id == "death"}
    return sorted(out, key=lambda each: (each["measure"] not in grave, -each["cases"], each["measure"]))


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
