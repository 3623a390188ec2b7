"""The measures as a page: rates with their intervals, control charts, funnels, times. Inline SVG, no script.

Nothing is green and nothing is ranked. A rate that rests on too few of the
records is grey, with the share that could not be assessed.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from markupsafe import Markup, escape

from service.wording.headings import count, sentence

from . import html

MEDIA_TYPE = html.MEDIA_TYPE
#: ``Content-Security-Policy`` of this page.
POLICY = html.READ_POLICY

#: What the numerator of a rate is, for the reader.
COUNTS = {
    "clear": "records that show what is asked for",
    "finding": "records that show what this is about: a small rate is the good one",
}
_KINDS = {
    "published": "Published lists, intervals and monitoring",
    "performance": "Performance measures of the national guidelines",
    "rule": "Rules",
}
_HEIGHT, _LEFT, _RIGHT, _TOP, _BOTTOM = 220, 44, 12, 14, 34
#: Class of a picture -> its width; the style sheet shows the one that fits the screen.
_WIDTHS = {"wide": 640, "narrow": 300}
#: Room for one label, in units of the picture.
_LABEL, _LINE = 64, 13
#: How far the limits of a funnel are drawn beyond its groups.
_BESIDE = 12


def render(document: Mapping[str, Any]) -> bytes:
    """The page in UTF-8; the same bytes for the same document (the shape of ``POST /v1/measures``)."""
    kinds = [
        (kind, title, [_entry(m, document) for m in document["measures"] if m["kind"] == kind])
        for kind, title in _KINDS.items()
    ]
    return html.page(
        "measures.html",
        POLICY,
        document=document,
        kinds=kinds,
        times=[_time(time) for time in document["times"]],
        suppressed=any(m.get("funnel", {}).get("suppressed", {}).get("groups") for m in document["measures"]),
        counts=COUNTS,
        count=count,
        sentence=sentence,
        percent=percent,
    )


def percent(rate: float | None) -> str:
    """``85.7 %`` with a no-break space; a dash where nothing was counted."""
    return "–" if rate is None else f"{100 * rate:.1f}\u00a0%"


def _entry(measure: Mapping[str, Any], document: Mapping[str, Any]) -> dict[str, Any]:
    trend, funnel = measure.get("trend") or {"points": []}, measure.get("funnel") or {"groups": []}
    shown = [*trend["points"], *funnel["groups"]]
    charts = []
    # A rate of 0 or 1 has no chart: its line would lie on the edge. Of the many rules only those beyond a limit have one.
    if 0 < (measure["documentation_rate"] or 0) < 1 and (
        measure["kind"] != "rule" or any(point["beyond"] for point in shown)
    ):
        if len(trend["points"]) > 1:
            charts.append((_both(_trend, measure, trend), _trend_words(trend, document["period"])))
        if funnel["groups"]:
            charts.append((_both(_funnel, measure, funnel), _funnel_words(funnel)))
    return {
        "measure": measure,
        "title": measure["title"].rstrip("."),
        "reach": _reach(measure),
        "charts": charts,
        "aside": _aside(measure["aside"]),
    }


def _reach(measure: Mapping[str, Any]) -> Markup:
    """A small picture of the rate and its interval from 0 to 100 %; the numbers stand beside it as text."""
    interval = measure["interval_95"]
    if interval is None:
        return Markup("")
    low, high, at = (
        round(4 + 112 * rate, 1) for rate in (interval["lower"], interval["upper"], measure["documentation_rate"])
    )
    return Markup(
        '<svg class="reach{}" viewBox="0 0 120 14" aria-hidden="true"><path class="scale" d="M4 7H116M4 3v8M60 4v6M116 3v8"/>'
        '<path class="span" d="M{} 7H{}"/><circle class="at" cx="{}" cy="7" r="4"/></svg>'
    ).format(" grey" if measure["greyed"] else "", low, high, at)


def _aside(counts: Mapping[str, int]) -> str:
    said = [f"{records} {name.replace('_', ' ')}" for name, records in counts.items() if records]
    return ", ".join(said) or "none"


def _time(time: Mapping[str, Any]) -> dict[str, Any]:
    shown = {name: minutes(time[name]) for name in ("median", "nine_of_ten_within", "longest")}
    return {**time, **shown}


def minutes(seconds: float | None) -> str:
    """Seconds as ``4 min`` or ``4.5 min``; a dash for None."""
    return "–" if seconds is None else f"{seconds / 60:.1f}".removesuffix(".0") + " min"


# ---------------------------------------------------------------- charts


def _y(rate: float, top: float) -> float:
    return round(_TOP + (_HEIGHT - _TOP - _BOTTOM) * (1 - rate / top), 1)


def _top(values: Sequence[float]) -> float:
    """The upper end of the scale, between 0 and 1."""
    return next(end for end in (0.05, 0.1, 0.2, 0.5, 1.0) if max(values) <= end)


def _both(
    draw: Callable[[Mapping[str, Any], int], list[str]], measure: Mapping[str, Any], data: Mapping[str, Any]
) -> Markup:
    """The picture in both widths."""
    label = escape(f"{'p-chart' if draw is _trend else 'Funnel'}: {measure['title']}")
    out = Markup()
    for kind, width in _WIDTHS.items():
        # ``draw`` has escaped all text of the document.
        body = Markup("".join(draw(data, width)))
        out += Markup('<svg class="picture {}" viewBox="0 0 {} {}" role="img" aria-label="{}">{}</svg>').format(
            kind, width, _HEIGHT, label, body
        )
    return out


def _frame(top: float, width: int) -> list[str]:
    out = []
    for part in (0.0, 0.5, 1.0):
        y, text = _y(part * top, top), f"{100 * part * top:g} %"
        out.append(f'<line class="grid" x1="{_LEFT}" x2="{width - _RIGHT}" y1="{y}" y2="{y}"/>')
        out.append(f'<text class="t small" x="{_LEFT - 6}" y="{y + 4}" text-anchor="end">{text}</text>')
    return out


def _path(kind: str, points: Sequence[tuple[float, float]]) -> str:
    return f'<polyline class="{kind}" fill="none" points="{" ".join(f"{x},{y}" for x, y in points)}"/>'


def _mark(x: float, y: float, beyond: bool, title: str) -> str:
    """A dot, or a hollow square for one beyond its limits: told by shape, not by color."""
    hint = f"<title>{escape(title)}</title>"
    if beyond:
        return f'<rect class="dot hollow" x="{x - 5}" y="{y - 5}" width="10" height="10">{hint}</rect>'
    return f'<circle class="dot" cx="{x}" cy="{y}" r="4">{hint}</circle>'


def _point_title(name: str, point: Mapping[str, Any]) -> str:
    return f"{name}: {point['numerator']} of {point['denominator']}, {percent(point['documentation_rate'])}"


def _trend(trend: Mapping[str, Any], width: int) -> list[str]:
    points = trend["points"]
    top = _top([p[name] for p in points for name in ("upper", "documentation_rate")])
    step = (width - _LEFT - _RIGHT) / len(points)
    xs = [round(_LEFT + step * (index + 0.5), 1) for index in range(len(points))]
    parts = _frame(top, width)
    for name in ("upper", "lower"):
        # Every period has limits of its own, so the line goes in steps.
        line = [
            (round(x + side * step / 2, 1), _y(p[name], top))
            for x, p in zip(xs, points, strict=True)
            for side in (-1, 1)
        ]
        parts.append(_path("limit", line))
    parts.append(_path("rule", [(_LEFT, _y(trend["center"], top)), (width - _RIGHT, _y(trend["center"], top))]))
    parts.append(_path("stem", [(x, _y(p["documentation_rate"], top)) for x, p in zip(xs, points, strict=True)]))
    every = -(-len(points) * _LABEL // (width - _LEFT - _RIGHT))
    for index, (x, point) in enumerate(zip(xs, points, strict=True)):
        parts.append(
            _mark(x, _y(point["documentation_rate"], top), point["beyond"], _point_title(point["period"], point))
        )
        if index % every == 0:
            parts.append(
                f'<text class="t small" x="{x}" y="{_HEIGHT - 12}" text-anchor="middle">{escape(point["period"])}</text>'
            )
    return parts


def _trend_words(trend: Mapping[str, Any], period: str) -> str:
    beyond = [p["period"] for p in trend["points"] if p["beyond"]]
    said = f"By {period}, center {percent(trend['center'])}. " + (
        f"Beyond the limits: {', '.join(beyond)}." if beyond else "No period is beyond the limits."
    )
    return said + (f" Provisional: {count(len(trend['points']), 'period')} only." if trend["provisional"] else "")


def _funnel(funnel: Mapping[str, Any], width: int) -> list[str]:
    groups = sorted(funnel["groups"], key=lambda g: (g["denominator"], g["group"]))
    top = _top(
        [value for g in groups for value in (g["documentation_rate"], *(b["upper"] for b in g["limits"].values()))]
    )
    most: int = max(g["denominator"] for g in groups)

    def x(size: int) -> float:
        return round(_LEFT + (width - _LEFT - _RIGHT - _BESIDE) * size / most, 1)

    parts = _frame(top, width)
    for name in ("95", "99.8"):
        for side in ("upper", "lower"):
            points = [(x(g["denominator"]), _y(g["limits"][name][side], top)) for g in groups]
            # A little beyond the first and the last group, so that there is a line where all groups are of one size.
            ends = ((points[0][0] - _BESIDE, points[0][1]), (points[-1][0] + _BESIDE, points[-1][1]))
            parts.append(_path("limit" if name == "99.8" else "stem", [ends[0], *points, ends[1]]))
    parts.append(_path("rule", [(_LEFT, _y(funnel["target"], top)), (width - _RIGHT, _y(funnel["target"], top))]))
    labels: list[tuple[float, float]] = []
    for g in groups:
        at = (x(g["denominator"]), _y(g["documentation_rate"], top))
        parts.append(_mark(*at, g["beyond"] is not None, _point_title(g["group"], g)))
        anchor, dx = ("end", -8) if at[0] > width - 2 * _LABEL else ("start", 8)
        spot = (at[0] + dx, at[1] - 6)
        while any(abs(spot[0] - other[0]) < _LABEL and abs(spot[1] - other[1]) < _LINE for other in labels):
            spot = (spot[0], spot[1] + _LINE)
        labels.append(spot)
        parts.append(
            f'<text class="t small" x="{spot[0]}" y="{spot[1]}" text-anchor="{anchor}">{escape(g["group"])}</text>'
        )
    parts.append(
        f'<text class="t small" x="{width - _RIGHT}" y="{_HEIGHT - 12}" text-anchor="end">records of the group: up to {most}</text>'
    )
    return parts


def _funnel_words(funnel: Mapping[str, Any]) -> str:
    beyond = [f"{g['group']} ({g['beyond']} %)" for g in funnel["groups"] if g["beyond"]]
    hidden = funnel["suppressed"]
    said = f"By group, all together {percent(funnel['target'])}. " + (
        f"Beyond a limit: {', '.join(beyond)}." if beyond else "No group is beyond a limit."
    )
    return said + (
        f" Not shown: {count(hidden['groups'], 'group')} with {count(hidden['records'], 'record')}."
        if hidden["groups"]
        else ""
    )
