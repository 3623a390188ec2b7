"""The picture of an episode as inline SVG, drawn for a wide page and for a narrow one.

It is written by hand for a page whose policy allows neither script nor inline
style, in two color schemes, with a link on every finding: plotting libraries
write inline styles and fixed colors, chart libraries of the browser need
script. Colors and line styles are classes of the shared style sheet. Only the
links are for assistive technology, which gets all else as a table.

Every lane is an ``<svg>`` of its own, so that paper breaks between lanes and a
screen reader says the name of a lane before its findings.
"""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import timedelta
from math import ceil

from markupsafe import Markup, escape

from service.wording.clock import Clock
from service.wording.headings import BASIS, SEVERITIES
from service.wording.words import number

from .lane import Bar, Dot, Lane, Mark, Picture
from .limits import Limit

#: Heights in user units: the times at the top, a row of bars, a row of words, the readings, space above and below a lane.
_AXIS, _ROW, _LABEL, _PLOT, _PAD = 22, 15, 16, 54, 7
#: Size of a finding's mark, and of the link around it: at least 24 CSS pixels each way (WCAG 2.2, 2.5.8).
_MARK_WIDTH, _MARK_HEIGHT, _GRID_X, _GRID_Y = 29, 20, 32, 27
#: Minutes between two times of the axis.
_STEPS = (1, 2, 5, 10, 15, 30, 60, 120, 240)


@dataclass(frozen=True, slots=True)
class Layout:
    """Sizes in user units, which are CSS pixels at full width.

    ``gutter``: room for lane titles beside the lanes, 0 for titles above them;
    ``ticks``: the most times on the axis; ``letter``: width of a letter.
    """

    name: str
    width: int
    gutter: int
    ticks: int
    letter: float


WIDE = Layout("wide", 928, 158, 12, 6.9)
NARROW = Layout("narrow", 300, 0, 4, 6.9)


def draw(picture: Picture, clock: Clock, layout: Layout, label: str) -> Markup:
    """The picture in one layout: an ``<svg>`` for the times and one for each lane, in a group named ``label``."""
    return _Drawing(picture, clock, layout).whole(label)


def _n(value: float) -> str:
    return f"{value:.1f}".removesuffix(".0")


def _near(limits: Sequence[Limit], values: Sequence[float], *, low: bool) -> list[float]:
    """The limits of one side that the scale must show: those that a reading goes beyond, and two more."""
    side = [limit.value for limit in limits if limit.low is low]
    crossed = sum(any(v < edge if low else v > edge for v in values) for edge in side)
    return side[: crossed + 2]


class _Rows:
    """Puts stretches of a line into as few rows as they need so that none touch."""

    def __init__(self) -> None:
        self._ends: list[float] = []

    def place(self, start: float, end: float) -> int:
        for row, last in enumerate(self._ends):
            if last <= start:
                self._ends[row] = end
                return row
        self._ends.append(end)
        return len(self._ends) - 1

    def __len__(self) -> int:
        return len(self._ends)


class _Drawing:
    def __init__(self, picture: Picture, clock: Clock, layout: Layout) -> None:
        self.picture, self.clock, self.layout = picture, clock, layout
        self.low, self.high = picture.window
        self.left, self.right = layout.gutter + 10.0, layout.width - 12.0
        self.stems: list[str] = []
        self.shapes: list[str] = []
        self.links: list[str] = []

    def whole(self, label: str) -> Markup:
        parts = [self._head()]
        for lane in self.picture.lanes:
            self.stems, self.shapes, self.links = [], [], []
            bottom = self._lane(lane)
            self._ticks(0, bottom)
            shapes = f'<g aria-hidden="true">{"".join(self.stems)}{"".join(self.shapes)}</g>'
            # A lane without a link has nothing that is not in the table.
            named = f'role="group" aria-label="{escape(lane.title)}"' if self.links else 'aria-hidden="true"'
            parts.append(self._svg(bottom, named, f"{shapes}<g>{''.join(self.links)}</g>" if self.links else shapes))
        return Markup(
            f'<div class="picture {self.layout.name}" role="group" aria-label="{escape(label)}">{"".join(parts)}</div>'
        )

    def _svg(self, height: float, named: str, content: str) -> str:
        return f'<svg {named} viewBox="0 0 {self.layout.width} {_n(height)}">{content}</svg>'

    def _head(self) -> str:
        """The axis, and the pattern of gaps that every lane uses."""
        self._ticks(18, _AXIS, told=True)
        name = self.layout.name
        hatch = (
            f'<defs><pattern id="hatch-{name}" width="6" height="6" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
            '<rect class="hatch-ground" width="6" height="6"/><path class="hatch-line" d="M0 0V6"/></pattern></defs>'
        )
        return self._svg(_AXIS, 'aria-hidden="true"', f"{hatch}{''.join(self.stems)}")

    # ------------------------------------------------------------ primitives

    def _x(self, time: int) -> float:
        share = (min(max(time, self.low), self.high) - self.low) / (self.high - self.low)
        return self.left + share * (self.right - self.left)

    def _shown(self, start: int, end: int) -> bool:
        return end >= self.low and start <= self.high

    def _rect(self, x: float, y: float, width: float, height: float, kind: str, extra: str = "") -> str:
        return (
            f'<rect class="{kind}" x="{_n(x)}" y="{_n(y)}" width="{_n(max(width, 2))}" height="{_n(height)}"{extra}/>'
        )

    def _text(self, x: float, y: float, text: str, kind: str, anchor: str = "") -> str:
        if not text:
            return ""
        end = f' text-anchor="{anchor}"' if anchor else ""
        return f'<text class="{kind}" x="{_n(x)}" y="{_n(y)}"{end}>{escape(text)}</text>'

    def _wide(self, text: str) -> float:
        return len(text) * self.layout.letter

    def _ticks(self, top: float, bottom: float, told: bool = False) -> None:
        """Lines at round times behind everything; ``told``: with the times."""
        minutes = (self.high - self.low) / 60
        step = next((s for s in _STEPS if minutes / s <= self.layout.ticks), _STEPS[-1]) * 60
        offset = int((self.clock.at(self.low).utcoffset() or timedelta(0)).total_seconds())
        time = -(-(self.low + offset) // step) * step - offset
        out = []
        while time <= self.high:
            x = self._x(time)
            out.append(f'<path class="grid" d="M{_n(x)} {_n(top)}V{_n(bottom)}"/>')
            if told:
                shown = f"{self.clock.at(time):%H:%M}"
                half = self._wide(shown) / 2
                middle = min(max(x, self.left - 10 + half), self.right + 12 - half)
                out.append(self._text(middle, 13, shown, "t axis", "middle"))
            time += step
        self.stems[:0] = out

    # ------------------------------------------------------------ one lane

    def _lane(self, lane: Lane) -> float:
        """Draw a lane; its height."""
        self.shapes.append(f'<path class="rule" d="M0 .5H{self.layout.width}"/>')
        y = float(_PAD)
        if self.layout.gutter:
            self.shapes.append(self._text(0, y + 11, lane.title, "t title"))
            self.shapes.append(self._text(0, y + 25, lane.unit, "t small"))
        else:
            self.shapes.append(self._text(0, y + 9, f"{lane.title} {lane.unit}".rstrip(), "t title"))
            y += 15
        floor = y + _ROW
        if lane.empty:
            self.shapes.append(self._text(self.left, y + 11, lane.none or "nothing charted", "t none"))
        labels = [dot for dot in lane.dots if dot.label]
        if lane.readings or (lane.limits and not lane.empty):
            self._plot(lane, y)
            y += _PLOT + 3
            floor = y
            if lane.bars:
                for bar in lane.bars:
                    self._strip(bar, y)
                y += 8
        elif not lane.empty:
            y, floor = self._bars(lane, y, labels)
            self._dots(lane, floor - _ROW)
        y = self._labels(labels, y)
        y = self._marks(lane.marks, y, floor)
        # Whole pixels, so that no seam shows between two lanes.
        return ceil(max(y, floor) + _PAD)

    def _bars(self, lane: Lane, y: float, labels: list[Dot]) -> tuple[float, float]:
        """Draw the bars of a lane in as few rows as they need; (bottom, bottom of the first row).

        A text that does not fit on its bar is added to ``labels``.
        """
        rows = _Rows()
        told: set[str] = set()
        for bar in lane.bars:
            if not self._shown(bar.start, bar.end):
                continue
            start, end = self._x(bar.start), self._x(bar.end)
            row = rows.place(start, max(end, start + 2))
            at = y + row * (_ROW + 2)
            self.shapes.append(
                self._rect(start, at + 1, end - start, _ROW - 2, f"bar {bar.kind} {bar.severity or ''}".rstrip())
            )
            if bar.open:
                self.shapes.append(f'<path class="open" d="M{_n(end)} {_n(at)}l4 {_n(_ROW / 2)}l-4 {_n(_ROW / 2)}"/>')
            if bar.text in ("restrained",) or (bar.text in told and bar.kind == "police"):
                continue
            told.add(bar.text)
            room = start + self._wide(bar.text) + 8
            # The dots of a lane are drawn on its first row.
            covered = row == 0 and any(start <= self._x(dot.time) <= room for dot in lane.dots if not dot.label)
            if room <= end and not covered:
                self.shapes.append(self._text(start + 5, at + 11.5, bar.text, f"t on-bar {bar.kind}"))
            else:
                labels.append(Dot(bar.start, bar.text, bar.severity, True))
        used = max(len(rows), 1)
        self._gaps(lane, y, _ROW)
        return y + used * (_ROW + 2), y + _ROW

    def _strip(self, bar: Bar, y: float) -> None:
        if self._shown(bar.start, bar.end):
            start, end = self._x(bar.start), self._x(bar.end)
            self.shapes.append(self._rect(start, y, end - start, 4, "strip"))

    def _gaps(self, lane: Lane, y: float, height: float) -> None:
        for start, end in lane.gaps:
            if not self._shown(start, end):
                continue
            left, right = self._x(start), self._x(end)
            self.shapes.append(
                self._rect(left, y, right - left, height, "gap", f' fill="url(#hatch-{self.layout.name})"')
            )
            text = f"no entry {round((end - start) / 60)} min"
            if self._wide(text) + 14 > right - left:
                text = "no entry"
            if self._wide(text) + 14 <= right - left:
                middle = (left + right) / 2
                width = self._wide(text) + 6
                self.shapes.append(self._rect(middle - width / 2, y + height / 2 - 6, width, 12, "gap-word"))
                self.shapes.append(self._text(middle, y + height / 2 + 4, text, "t gap-text", "middle"))

    def _dots(self, lane: Lane, y: float) -> None:
        for dot in lane.dots:
            if dot.label or not self._shown(dot.time, dot.time):
                continue
            kind = f"dot {'hollow ' if dot.hollow else ''}{dot.severity or ''}".rstrip()
            self.shapes.append(f'<circle class="{kind}" cx="{_n(self._x(dot.time))}" cy="{_n(y + _ROW / 2)}" r="4"/>')

    def _labels(self, labels: Iterable[Dot], y: float) -> float:
        rows = _Rows()
        for dot in sorted(labels, key=lambda d: d.time):
            if not self._shown(dot.time, dot.time):
                continue
            x, kind = self._x(dot.time), dot.severity or ""
            lines = textwrap.wrap(dot.text, int((self.layout.width - 16) / self.layout.letter))
            wide = max(map(self._wide, lines)) + 14
            # Near the right edge a label stands to the left of its tick.
            flip = x + wide > self.layout.width and x - wide >= 0
            start = x - wide if flip else min(x - 2, max(self.layout.width - wide, 0))
            # A label of several lines takes the whole width of its rows, so that they come one under the other.
            reach = (start, start + wide) if len(lines) == 1 else (0, self.layout.width)
            for place, line in enumerate(lines):
                at = y + rows.place(*reach) * _LABEL
                if not place:
                    self.shapes.append(f'<path class="tick {kind}" d="M{_n(x)} {_n(at + 1)}v{_LABEL - 3}"/>')
                self.shapes.append(
                    self._text(
                        x - 5 if flip else start + 7, at + 11.5, line, f"t {kind}".rstrip(), "end" if flip else ""
                    )
                )
        return y + len(rows) * _LABEL

    # ------------------------------------------------------------ readings

    def _plot(self, lane: Lane, y: float) -> None:
        values = [r.value for r in lane.readings if r.value is not None]
        values += [*_near(lane.limits, values, low=True), *_near(lane.limits, values, low=False)] or [0.0]
        spread = max(max(values) - min(values), 4)
        low, high = min(values) - spread * 0.12, max(values) + spread * 0.12
        if lane.key == "spo2":
            high = 101

        def at(value: float) -> float:
            return y + _PLOT - (min(max(value, low), high) - low) / (high - low) * _PLOT

        self.shapes.append(self._rect(self.left, y, self.right - self.left, _PLOT, "plot"))
        self._zones(lane, y, at)
        self._gaps(lane, y, _PLOT)
        taken = -100.0
        for reading in sorted(lane.readings, key=lambda r: r.time):
            if not self._shown(reading.time, reading.time):
                continue
            x = self._x(reading.time)
            kind = reading.severity or ""
            if reading.value is None:
                self.shapes.append(f'<path class="lost {kind}" d="M{_n(x - 4)} {_n(y + _PLOT - 10)}l8 8m0 -8l-8 8"/>')
                continue
            spot = at(reading.value)
            self.shapes.append(f'<circle class="dot {kind}" cx="{_n(x)}" cy="{_n(spot)}" r="3.5"/>')
            text = number(reading.value)
            half = self._wide(text) / 2
            if x - half >= taken or kind == "critical":
                above = spot - 7 if spot - 17 > y else spot + 15
                self.shapes.append(self._text(x, above, text, f"t value {kind}".rstrip(), "middle"))
                taken = x + half + 3

    def _zones(self, lane: Lane, y: float, at: Callable[[float], float]) -> None:
        for low in (True, False):
            grave = len(SEVERITIES) - 1
            said = -100.0
            for limit in (m for m in lane.limits if m.low is low):
                # Beyond a limit of one severity nothing is drawn less severe.
                grave = min(grave, SEVERITIES.index(limit.severity))
                edge = at(limit.value)
                top, height = (edge, y + _PLOT - edge) if low else (y, edge - y)
                if not y < edge < y + _PLOT:
                    continue
                self.shapes.append(
                    self._rect(self.left, top, self.right - self.left, height, f"zone {SEVERITIES[grave]}")
                )
                self.shapes.append(
                    f'<path class="limit {SEVERITIES[grave]}" d="M{_n(self.left)} {_n(edge)}H{_n(self.right)}"/>'
                )
                if self.layout.gutter and abs(edge - said) >= 11:
                    sign = ("≤" if limit.inclusive else "<") if low else ("≥" if limit.inclusive else ">")
                    self.shapes.append(
                        self._text(self.left - 5, edge + 4, f"{sign} {number(limit.value)}", "t small", "end")
                    )
                    said = edge

    # ------------------------------------------------------------ findings

    def _marks(self, marks: list[Mark], y: float, floor: float) -> float:
        if not marks:
            return y
        y += 3
        rows = _Rows()
        for mark in sorted(marks, key=lambda m: (m.time, m.number)):
            x = self._x(mark.time)
            left = min(max(x - _GRID_X / 2, 0), self.layout.width - _GRID_X)
            at = y + rows.place(left, left + _GRID_X) * _GRID_Y
            self.stems.append(f'<path class="stem" d="M{_n(x)} {_n(floor)}V{_n(at + 3)}"/>')
            self.links.append(self._mark(mark, left, at))
        return y + len(rows) * _GRID_Y

    def _mark(self, mark: Mark, left: float, top: float) -> str:
        finding = mark.finding
        severity, absent = finding["severity"], finding["category"] == "completeness"
        x, y, w, h = left + (_GRID_X - _MARK_WIDTH) / 2, top + 4, _MARK_WIDTH, _MARK_HEIGHT
        if severity == "critical":
            shape = f"M{_n(x)} {_n(y + 5)}L{_n(x + w / 2)} {_n(y - 2)}L{_n(x + w)} {_n(y + 5)}V{_n(y + h)}H{_n(x)}Z"
        elif severity == "warning":
            shape = f"M{_n(x)} {_n(y)}H{_n(x + w)}V{_n(y + h)}H{_n(x)}Z"
        else:
            shape = f"M{_n(x + 9)} {_n(y)}H{_n(x + w - 9)}a9 {_n(h / 2)} 0 0 1 0 {_n(h)}H{_n(x + 9)}a9 {_n(h / 2)} 0 0 1 0 -{_n(h)}Z"
        said = f"Finding {mark.number}, {severity}, {BASIS[finding['category']].lower()}, {self.clock.text(mark.time)}: {finding['title']}"
        kind = f"mark {severity} {'absent' if absent else 'charted'}"
        return (
            f'<a class="{kind}" href="#f{mark.number}" aria-label="{escape(said)}"><title>{escape(said)}</title>'
            f'<rect class="reach" x="{_n(left)}" y="{_n(top)}" width="{_GRID_X}" height="{_GRID_Y}"/><path d="{shape}"/>'
            f'<text x="{_n(x + w / 2)}" y="{_n(y + h / 2 + 5)}" text-anchor="middle" aria-hidden="true">{mark.number}</text></a>'
        )
