"""The measures as a page: what changed beyond chance, harm, what is achieved, what is wrong. Inline SVG, no script.

Nothing is green and no group is ranked. A rate that rests on too few of the
records is grey, with the share that could not be assessed.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from service.wording.headings import SEVERITIES, count, sentence

from . import html
from .rate_charts import between_chart, funnel_chart, funnel_words, percent, run_chart, run_words

_CHANGES = {"worse": "Got worse", "look": "Look at", "better": "Got better"}
#: Charts of one page, and points in all of them: the measures of the first lines, then those with most marks.
_MOST_CHARTS, _MOST_POINTS = 40, 1_200
_FIRST_LINES = 10


def render(document: Mapping[str, Any], rules_at: str = "", charts: str | None = None) -> bytes:
    """The page in UTF-8; the same bytes for the same document (the shape of ``POST /v1/measures``).

    ``rules_at``: what comes before the id of a rule in a link to the rulebook, none where it is empty; ``charts``: the page
    of the charts behind each rate, beside this one.
    """
    drawn = _drawn(document)
    entries = [_entry(m, drawn) for m in document["measures"]]
    harm = {each["measure"] for each in document["harm"]}
    return html.page(
        "measures.html",
        document=document,
        first=[
            (change, title, [_line(line) for line in document["first"]["lines"] if line["change"] == change])
            for change, title in _CHANGES.items()
        ],
        harm=[_harm(each) for each in document["harm"] if each["denominator"] or each["cases"]],
        harm_charts=[
            (each, between_chart(each))
            for each in document["harm"]
            if each["between"] and each["between"]["center"] is not None
        ],
        achieved=sorted((e for e in entries if e["m"]["good"] == "more" and e["m"]["denominator"]), key=_least_first),
        wrong=sorted(
            (e for e in entries if e["m"]["good"] == "fewer" and e["m"]["numerator"] and e["m"]["id"] not in harm),
            key=_gravest_first,
        ),
        never=[m for m in document["measures"] if m["good"] == "fewer" and m["denominator"] and not m["numerator"]],
        silent=[m for m in document["measures"] if not m["denominator"]],
        drawn=[_figure(m, document["marks"]) for m in document["measures"] if m["id"] in drawn],
        marked=sum(_marks(m) > 0 for m in document["measures"]),
        times=[_time(time) for time in document["times"]],
        rules_at=rules_at,
        charts=charts,
        count=count,
        sentence=sentence,
        percent=percent,
    )


def _entry(measure: Mapping[str, Any], drawn: set[str]) -> dict[str, Any]:
    run = (measure.get("trend") or {}).get("run") or {}
    marks = [name for name in ("shift", "trend") if run.get(name)]
    marks += ["beyond"] if any(point["beyond"] for point in _points(measure)) else []
    return {
        "m": measure,
        "title": measure["title"].rstrip("."),
        "marks": ", ".join(marks),
        "drawn": measure["id"] in drawn,
        "rules": [rule for rule in measure["rules"] if rule != measure["id"]],
    }


def _points(measure: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    return [*(measure.get("trend") or {"points": ()})["points"], *(measure.get("funnel") or {"groups": ()})["groups"]]


def _least_first(entry: Mapping[str, Any]) -> tuple[Any, ...]:
    return (entry["m"]["interval_95"]["upper"], entry["m"]["id"])


def _gravest_first(entry: Mapping[str, Any]) -> tuple[Any, ...]:
    return (SEVERITIES.index(entry["m"]["severity"]), -entry["m"]["interval_95"]["lower"], entry["m"]["id"])


def _marks(measure: Mapping[str, Any]) -> int:
    run = (measure.get("trend") or {}).get("run") or {"shift": (), "trend": ()}
    return sum(map(len, (*run["shift"], *run["trend"]))) + sum(bool(point["beyond"]) for point in _points(measure))


def _drawn(document: Mapping[str, Any]) -> set[str]:
    """The measures that have charts. A rate of 0 or 1 has none: its line would lie on the edge."""
    first = [line["measure"] for line in document["first"]["lines"]]
    varied = [
        m for m in document["measures"] if 0 < (m["documentation_rate"] or 0) < 1 and (_marks(m) or m["id"] in first)
    ]
    varied.sort(key=lambda m: (m["id"] not in first, -_marks(m), m["id"]))
    points = max((len(_points(m)) for m in varied), default=1)
    return {m["id"] for m in varied[: min(_MOST_CHARTS, max(_FIRST_LINES, _MOST_POINTS // points))]}


def _figure(measure: Mapping[str, Any], marks: list[Mapping[str, Any]]) -> dict[str, Any]:
    trend, funnel = measure.get("trend") or {"points": []}, measure.get("funnel") or {"groups": []}
    charts = []
    if len(trend["points"]) > 1:
        charts.append((run_chart(measure, marks), run_words(trend)))
    if any(group["beyond"] for group in funnel["groups"]):
        charts.append((funnel_chart(measure), funnel_words(funnel)))
    return {"m": measure, "title": measure["title"].rstrip("."), "charts": charts}


def _line(line: Mapping[str, Any]) -> dict[str, Any]:
    one, other = line["compared"]
    rates = [
        f"{percent(part['documentation_rate'])} ({part['numerator']} of {part['denominator']})" for part in (one, other)
    ]
    said = (
        f"{line['group']} {rates[0]}, all others {rates[1]}"
        if line["group"]
        else f"{rates[0]}, from {line['from']} on {rates[1]}"
    )
    return {**line, "title": line["title"].rstrip("."), "said": said}


def _harm(harm: Mapping[str, Any]) -> dict[str, Any]:
    between = harm["between"]
    if between is None:
        return {**harm, "since": "–", "days": "–", "limits": ""}
    days = [str(each) for each in between["days"][-12:]]
    limits = ""
    if between["center"] is not None:
        beyond = [str(between["days"][index]) for index in between["beyond"]]
        limits = f"Usual {between['center']:g}, limits {between['lower']:g} to {between['upper']:g}." + (
            f" Beyond: {', '.join(beyond)}." if beyond else ""
        )
    return {**harm, "since": count(between["since"], "day"), "days": ", ".join(days) or "–", "limits": limits}


def _time(time: Mapping[str, Any]) -> dict[str, Any]:
    shown = {name: minutes(time[name]) for name in ("median", "nine_of_ten_within", "longest")}
    return {**time, **shown}


def minutes(seconds: float | None) -> str:
    """Seconds as ``4 min`` or ``4.5 min``; a dash for None."""
    return "–" if seconds is None else f"{seconds / 60:.1f}".removesuffix(".0") + " min"
