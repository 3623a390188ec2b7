"""Charts of one rate: by period with its median, and by group. Inline SVG that fits a phone and a sheet of paper alike."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from markupsafe import Markup, escape

from service.wording.headings import count

WIDTH = 320
_HEIGHT, _LEFT, _RIGHT, _TOP, _BOTTOM = 180, 44, 12, 14, 34
#: Room for one label, in units of the picture.
_LABEL, _LINE = 64, 13
#: How far the limits of a funnel are drawn beyond its groups.
_BESIDE = 12
#: More points than this are drawn as one path, without a title for each.
_FEW = 24
#: Times between cases that are drawn, and the power by which they are (Nelson 1994, as in ``batch.rare``).
_MOST_BETWEEN, _POWER = 40, 1 / 3.6


def percent(rate: float | None) -> str:
    """``85.7 %`` with a no-break space; a dash where nothing was counted."""
    return "–" if rate is None else f"{100 * rate:.1f}\u00a0%"


def _y(rate: float, top: float) -> float:
    return round(_TOP + (_HEIGHT - _TOP - _BOTTOM) * (1 - rate / top), 1)


def _top(values: Sequence[float]) -> float:
    """The upper end of the scale, between 0 and 1."""
    return next(end for end in (0.05, 0.1, 0.2, 0.5, 1.0) if max(values) <= end)


def _svg(label: str, parts: Sequence[str]) -> Markup:
    # All text of the document in ``parts`` is escaped already.
    return Markup('<svg class="picture chart" viewBox="0 0 {} {}" role="img" aria-label="{}">{}</svg>').format(
        WIDTH, _HEIGHT, label, Markup("".join(parts))
    )


def _frame(top: float) -> list[str]:
    out = []
    for part in (0.0, 0.5, 1.0):
        y, text = _y(part * top, top), f"{100 * part * top:g} %"
        out.append(f'<line class="grid" x1="{_LEFT}" x2="{WIDTH - _RIGHT}" y1="{y}" y2="{y}"/>')
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


def run_chart(measure: Mapping[str, Any], marks: Sequence[Mapping[str, Any]]) -> Markup:
    """The rate by period with its median, the limits of the p-chart, and the days on which something changed."""
    trend = measure["trend"]
    points, run = trend["points"], trend["run"]
    top = _top([p[name] for p in points for name in ("upper", "documentation_rate")])
    step = (WIDTH - _LEFT - _RIGHT) / len(points)
    xs = [round(_LEFT + step * (index + 0.5), 1) for index in range(len(points))]
    parts = _frame(top)
    for name in ("upper", "lower"):
        # Every period has limits of its own, so the line goes in steps.
        steps = "".join(f"V{_y(p[name], top)}h{round(step, 2)}" for p in points)
        parts.append(f'<path class="limit" fill="none" d="M{_LEFT},{_y(points[0][name], top)}{steps}"/>')
    ends = (_LEFT, round(_LEFT + step * run["baseline"], 1), WIDTH - _RIGHT)
    height = _y(run["median"], top)
    parts.append(_path("median", [(ends[0], height), (ends[1], height)]))
    if ends[1] < ends[2]:
        parts.append(_path("median later", [(ends[1], height), (ends[2], height)]))
    for number, mark in enumerate(marks, 1):
        at = sum(point["period"] < mark["period"] for point in points)
        if 0 < at < len(points):
            x = round(_LEFT + step * at, 1)
            parts.append(f'<line class="changed" x1="{x}" x2="{x}" y1="{_TOP}" y2="{_HEIGHT - _BOTTOM}"/>')
            parts.append(f'<text class="t small" x="{x + 3}" y="{_TOP + 8}">{number}</text>')
    parts.append(_path("stem", [(x, _y(p["documentation_rate"], top)) for x, p in zip(xs, points, strict=True)]))
    every = -(-len(points) * _LABEL // (WIDTH - _LEFT - _RIGHT))
    plain = []
    for index, (x, point) in enumerate(zip(xs, points, strict=True)):
        marked = point["beyond"] or any(index in row for row in (*run["shift"], *run["trend"]))
        y = _y(point["documentation_rate"], top)
        if marked or len(points) <= _FEW:
            parts.append(_mark(x, y, marked, _point_title(point["period"], point)))
        else:
            plain.append(f"M{x},{y}h0")
        if index % every == 0 and x + _LABEL / 2 <= WIDTH:
            parts.append(
                f'<text class="t small" x="{x}" y="{_HEIGHT - 12}" text-anchor="middle">{escape(point["period"])}</text>'
            )
    if plain:
        parts.append(f'<path class="dots" d="{"".join(plain)}"/>')
    return _svg(f"Run chart: {measure['title']}", parts)


def run_words(trend: Mapping[str, Any]) -> str:
    """What the run chart shows, in a sentence each."""
    points, run = trend["points"], trend["run"]

    def named(rows: Sequence[Sequence[int]]) -> str:
        return ", ".join(f"{points[row[0]]['period']} to {points[row[-1]]['period']}" for row in rows)

    over = "frozen from the first" if run["frozen"] else "of all"
    said = [f"Median {percent(run['median'])}, {over} {count(run['baseline'], 'period')}."]
    if run["shift"]:
        said.append(f"Shift: {named(run['shift'])}.")
    if run["trend"]:
        said.append(f"Trend: {named(run['trend'])}.")
    beyond = [p["period"] for p in points if p["beyond"]]
    if beyond:
        said.append(f"Beyond the limits: {', '.join(beyond)}.")
    if len(said) == 1:
        said.append("No shift, no trend, no period beyond the limits.")
    return " ".join(said)


def between_chart(harm: Mapping[str, Any]) -> Markup:
    """The days between cases in their order, on the scale on which their limits are straight; higher is better."""
    between = harm["between"]
    days = between["days"][-_MOST_BETWEEN:]
    first = len(between["days"]) - len(days)
    top = max(between["upper"], *days) ** _POWER
    step = (WIDTH - _LEFT - _RIGHT) / len(days)

    def y(value: float) -> float:
        return _y(value**_POWER, top)

    parts = []
    for name, kind in (("lower", "limit"), ("center", "median"), ("upper", "limit")):
        height, text = y(between[name]), f"{between[name]:.0f} d"
        parts.append(_path(kind, [(_LEFT, height), (WIDTH - _RIGHT, height)]))
        parts.append(f'<text class="t small" x="{_LEFT - 6}" y="{height + 4}" text-anchor="end">{text}</text>')
    points = [(round(_LEFT + step * (index + 0.5), 1), y(each)) for index, each in enumerate(days)]
    parts.append(_path("stem", points))
    for index, (at, each) in enumerate(zip(points, days, strict=True), first):
        parts.append(_mark(*at, index in between["beyond"], count(each, "day")))
    parts.append(
        f'<text class="t small" x="{_LEFT}" y="{_HEIGHT - 12}">the last {count(len(days), "time")} between cases</text>'
    )
    return _svg(f"t chart, days between cases: {harm['title']}", parts)


def funnel_chart(measure: Mapping[str, Any]) -> Markup:
    """The groups by their size, with the limits around the rate of all together."""
    funnel = measure["funnel"]
    groups = sorted(funnel["groups"], key=lambda g: (g["denominator"], g["group"]))
    top = _top(
        [value for g in groups for value in (g["documentation_rate"], *(b["upper"] for b in g["limits"].values()))]
    )
    least, most = groups[0]["denominator"], groups[-1]["denominator"]
    first, last = _LEFT + 2 * _BESIDE, WIDTH - _RIGHT - _BESIDE

    def x(size: int) -> float:
        return (
            round(first + (last - first) * (size - least) / (most - least), 1) if most > least else (first + last) / 2
        )

    parts = _frame(top)
    for name in ("95", "99.8"):
        for side in ("upper", "lower"):
            points = [(x(g["denominator"]), _y(g["limits"][name][side], top)) for g in groups]
            # A little beyond the first and the last group, so that there is a line where all groups are of one size.
            ends = ((points[0][0] - _BESIDE, points[0][1]), (points[-1][0] + _BESIDE, points[-1][1]))
            parts.append(_path("limit" if name == "99.8" else "stem", [ends[0], *points, ends[1]]))
    parts.append(_path("rule", [(_LEFT, _y(funnel["target"], top)), (WIDTH - _RIGHT, _y(funnel["target"], top))]))
    labels: list[tuple[float, float]] = []
    for g in groups:
        at = (x(g["denominator"]), _y(g["documentation_rate"], top))
        parts.append(_mark(*at, g["beyond"] is not None, _point_title(g["group"], g)))
        anchor, dx = ("end", -8) if at[0] > WIDTH - 2 * _LABEL else ("start", 8)
        spot = (at[0] + dx, at[1] - 6)
        left = spot[0] - _LABEL if anchor == "end" else spot[0]
        while any(abs(left - other[0]) < _LABEL and abs(spot[1] - other[1]) < _LINE for other in labels):
            spot = (spot[0], spot[1] - _LINE)
        labels.append((left, spot[1]))
        parts.append(
            f'<text class="t small" x="{spot[0]}" y="{spot[1]}" text-anchor="{anchor}">{escape(g["group"])}</text>'
        )
    parts.append(
        f'<text class="t small" x="{WIDTH - _RIGHT}" y="{_HEIGHT - 12}" text-anchor="end">records of the group: {least} to {most}</text>'
    )
    return _svg(f"Funnel: {measure['title']}", parts)


def funnel_words(funnel: Mapping[str, Any]) -> str:
    """What the funnel shows."""
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
