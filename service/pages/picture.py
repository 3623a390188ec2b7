"""The picture of an episode as inline SVG, drawn for a wide page, for a narrow one, or alone.

It is written by hand for a page whose policy allows neither script nor inline
style, in two color schemes, with a link on every finding: plotting libraries
write inline styles and fixed colors, chart libraries of the browser need
script. Colors and patterns are classes of the style sheet: the pattern of a bar
tells whose it is, a shape tells the severity. Only the links are for assistive
technology, which gets all else as a table.

Every lane is an ``<svg>`` of its own, so that paper breaks between lanes and a
screen reader says the name of a lane before its findings.
"""

from __future__ import annotations

import textwrap
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import timedelta
from math import ceil

from markupsafe import Markup, escape

from service.wording.clock import Clock
from service.wording.headings import BASIS

from .drawing import LETTER, Band, Canvas, Rows, n, pin_shape
from .lane import Bar, Dot, Lane, Mark, Picture
from .plot import draw_plot

#: Heights in user units: the times at the top, a line of words, space above and below a lane.
_AXIS, _LABEL, _PAD = 20, 15, 4
#: Size of a finding's mark, and its distance to the next: at least 24 CSS pixels at every width (WCAG 2.2, 2.5.8).
_MARK_WIDTH, _MARK_HEIGHT, _GRID = 29, 22, 32
#: Minutes between two times of the axis.
_STEPS = (1, 2, 5, 10, 15, 30, 60, 120, 240)
#: More than any lane is tall; what is beyond a lane is cut off.
_TALLEST = 9999
#: Space at the right for the numbers of limits.
_MARGIN = 40
#: Steps of the grid beside its moment that a mark may stand, the nearest first.
_ASIDE = (0, -1, 1, -2, 2)


@dataclass(frozen=True, slots=True)
class Layout:
    """Sizes in user units, which are CSS pixels at the width it is made for.

    ``key``: its class on the page; ``gutter``: room for lane titles beside the
    lanes, 0 for titles above them; ``ticks``: the most times on the axis.
    """

    key: str
    width: int
    gutter: int
    ticks: int


WIDE, NARROW = Layout("w", 760, 150, 12), Layout("n", 340, 0, 5)
LAYOUTS = (WIDE, NARROW)

#: Patterns of bars; a page holds them once, outside of every drawing, so that a hidden one does not take them away.
_DEFS = (
    '<defs><pattern id="rr-police" width="6" height="6" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
    '<path class="ground" d="M0 0H6V6H0z"/><path class="stripe" d="M0 0H3V6H0z"/></pattern>'
    '<pattern id="rr-watch" width="5" height="5" patternUnits="userSpaceOnUse"><path class="ground" d="M0 0H5V5H0z"/>'
    '<path class="stripe" d="M1 1h2v2h-2z"/></pattern>'
    '<pattern id="rr-gap" width="5" height="5" patternUnits="userSpaceOnUse" patternTransform="rotate(-45)">'
    '<path class="ground" d="M0 0H5V5H0z"/><path class="hatch" d="M0 0V5"/></pattern></defs>'
)
DEFS = Markup(f'<svg class="picture defs" width="0" height="0" aria-hidden="true">{_DEFS}</svg>')


def every(picture: Picture, clock: Clock, label: str) -> list[Markup]:
    """The picture in every layout: an ``<svg>`` for the times and one for each lane, in a group named ``label``."""
    return [DEFS, *(_Drawing(picture, clock, layout).page(label) for layout in LAYOUTS)]


def alone(picture: Picture, clock: Clock, label: str, style: str, name: str) -> bytes:
    """The picture as an SVG document with its own style and legend. ``name``: for its ids, so that two meet in one page."""
    layout = replace(WIDE, key=f"w-{name}")
    return _Drawing(picture, clock, layout, linked=False).document(label, style).encode()


def legend(picture: Picture) -> list[tuple[Markup, str]]:
    """(swatch, words) of everything that the picture holds."""
    return [(Markup(f'<svg class="picture swatch" viewBox="0 0 30 16" aria-hidden="true">{shape}</svg>'), text)
            for shape, text in _legend(picture)]  # fmt: skip


def _legend(picture: Picture) -> list[tuple[str, str]]:
    lanes = picture.drawn
    bars = [bar for lane in lanes for bar in (*lane.bars, *lane.watched)]
    marks = [mark.finding for lane in lanes for mark in lane.marks]
    kinds, severities = {bar.kind for bar in bars}, {finding["severity"] for finding in marks}
    dots = [dot for lane in lanes for dot in lane.dots]
    stains = {each.severity for each in (*bars, *(point for lane in lanes for point in lane.points))}
    found = [
        (f'<g class="mark {s} charted"><path d="{pin_shape(s, 2, 2, 26, 12)}"/></g>', f"finding: {s}", s in severities)
        for s in ("critical", "warning", "info")
    ]
    absent = f'<g class="mark warning absent"><path d="{pin_shape("warning", 2, 2, 26, 12)}"/></g>'
    found.append((absent, "rests on there being no entry", any(f["category"] == "completeness" for f in marks)))
    names = {
        "own": "this unit",
        "police": "police device",
        "care": "others, or before this unit",
        "watch": "watched or on a monitor",
    }
    found += [
        (f'<rect class="bar {k}" x="1" y="2" width="28" height="12"/>', text, k in kinds) for k, text in names.items()
    ]
    found += [
        ('<rect class="gap" x="1" y="4" width="28" height="8"/>', "no entry for longer than the limit; it does not say that nothing was done", any(lane.gaps for lane in lanes)),
        ('<path class="open" d="M12 2l5 6l-5 6"/>', "end not charted", any(bar.open for bar in bars)),
        (_point(None), "reading or check", bool(dots) or any(lane.readings for lane in lanes)),
        (_point("critical"), "a critical finding points at it", "critical" in stains),
        (_point("warning"), "a warning points at it", "warning" in stains),
        (_point(None) + _point(None).replace("15", "25"), "without a number: the same as before", any(lane.scores for lane in lanes)),
        ('<circle class="dot hollow" cx="15" cy="8" r="4"/>', "check not done, with a reason", any(d.hollow for d in dots)),
        ('<path class="bp" d="M15 2V14"/>', "systolic to diastolic", any(lane.key == "sbp" and lane.readings for lane in lanes)),
        ('<path class="lost" d="M11 4l8 8m0 -8l-8 8"/>', "waveform lost", any(r.value is None for lane in lanes for r in lane.readings)),
        ('<rect class="zone warning" x="0" y="8" width="30" height="8"/><path class="limit warning" d="M0 8H30"/>', "beyond a limit of the profile", any(lane.limits and lane.readings for lane in lanes)),
        ('<path class="bracket" d="M2 12V8H28V12"/>', "time that a finding is about", any(m.span[1] > m.span[0] for lane in lanes for m in lane.marks)),
        ('<path class="death" d="M15 0V16"/>', "death", picture.death is not None),
    ]  # fmt: skip
    return [(shape, text) for shape, text, there in found if there]


def _point(severity: str | None) -> str:
    canvas = Canvas()
    canvas.point(15, 8, severity)
    return canvas.drawn()


class _PinRows:
    """Puts marks as near under their moment as there is room: beside each other, then in columns one under the other."""

    def __init__(self, low: float, high: float) -> None:
        self.low, self.high = low, high - _GRID
        self.first: list[float] = []
        #: Column -> how many marks stand in it under the first row.
        self.columns = Counter[int]()

    @property
    def amount(self) -> int:
        """Rows that are used."""
        return max(self.columns.values(), default=0) + bool(self.first)

    def place(self, x: float) -> tuple[float, int]:
        """(left edge, row) of a mark for a moment at ``x``."""
        for aside in _ASIDE:
            left = self._inside(x - _GRID / 2 + aside * _GRID)
            if all(abs(left - other) >= _GRID - 0.05 for other in self.first):
                self.first.append(left)
                return left, 0
        column = int((self._inside(x - _GRID / 2) - self.low) / _GRID)
        last = int((self.high - self.low) / _GRID)
        near = [column + aside for aside in _ASIDE if 0 <= column + aside <= last]
        best = min(near, key=self.columns.__getitem__)
        self.columns[best] += 1
        return self.low + best * _GRID, self.columns[best]

    def _inside(self, left: float) -> float:
        return min(max(left, self.low), self.high)


class _Drawing(Band):
    def __init__(self, picture: Picture, clock: Clock, layout: Layout, *, linked: bool = True) -> None:
        super().__init__(picture.window, layout.gutter + 10.0, float(layout.width - _MARGIN))
        self.picture, self.clock, self.layout, self.linked = picture, clock, layout, linked
        self.links: list[str] = []

    # ------------------------------------------------------------ the whole

    def _parts(self) -> list[tuple[float, str, str]]:
        """(height, attributes, content) of the axis, every lane with something in it, and the words about the others."""
        parts = [self._head()]
        for lane in self.picture.drawn:
            self.links = []
            bottom = self._lane(lane)
            shapes = self._behind() + self.drawn()
            # A lane without a link has nothing that is not in the table.
            named = 'aria-hidden="true"'
            if self.links:
                named = f'role="group" aria-label="{escape(lane.title)}"'
                shapes = f'<g aria-hidden="true">{shapes}</g>{"".join(self.links)}'
            parts.append((bottom, f'{named} data-lane="{lane.key}"', shapes))
        return [*parts, self._words()] if self.picture.in_words(self.clock) else parts

    def page(self, label: str) -> Markup:
        """The drawing for a page."""
        axis, *lanes = (
            f'<svg {named} viewBox="0 0 {self.layout.width} {n(height)}">{content}</svg>'
            for height, named, content in self._parts()
        )
        return Markup(
            f'<div class="picture {self.layout.key}" role="group" aria-label="{escape(label)}">'
            f'<div class="axis">{axis}</div><div class="lanes">{"".join(lanes)}</div></div>'
        )

    def document(self, label: str, style: str) -> str:
        """The drawing as a document."""
        y, out = 0.0, []
        for height, _, content in [self._key(), *self._parts()]:
            out.append(f'<svg y="{n(y)}" width="{self.layout.width}" height="{n(height)}">{content}</svg>')
            y += height
        size = f'width="{self.layout.width}" height="{n(y)}" viewBox="0 0 {self.layout.width} {n(y)}"'
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" class="restraint-review" role="img" {size}><title>{escape(label)}</title>'
            f'<style>{escape(style)}</style>{_DEFS}<g class="picture"><rect class="paper" width="100%" height="100%"/>{"".join(out)}</g></svg>'
        )

    def _key(self) -> tuple[float, str, str]:
        """The legend of a drawing that stands alone."""
        rows, out = Rows(), []
        for shape, text in _legend(self.picture):
            wide = 36 + self.wide(text) + 16
            row = rows.first_with_room(wide, self.layout.width)
            out.append(
                f'<g transform="translate({n(rows.ends[row] - wide)} {row * 20 + 2})">{shape}<text class="t" x="36" y="12">{escape(text)}</text></g>'
            )
        return len(rows.ends) * 20 + 6, "", "".join(out)

    def _head(self) -> tuple[float, str, str]:
        """The axis, and what every lane shows behind everything: lines at round times, and death over the full height."""
        height = _AXIS
        lines = []
        for time in self._round_times():
            lines.append(f"M{n(self.x(time))} 0V{_TALLEST}")
            self.text(self.x(time), 12, f"{self.clock.at(time):%H:%M}", "soft middle")
        defs = f'<path id="rr-time-{self.layout.key}" d="{"".join(lines)}"/>'
        if self._dies():
            height += _LABEL
            x = self.x(self.picture.death or 0)
            defs += f'<path id="rr-death-{self.layout.key}" d="M{n(x)} 0V{_TALLEST}"/>'
            text = f"death {self.clock.text(self.picture.death or 0)}"
            half = self.wide(text) / 2
            self.text(min(max(x, half), self.layout.width - half), 27, text, "critical middle")
        return height, 'aria-hidden="true"', f"<defs>{defs}</defs>{self.drawn()}"

    def _behind(self) -> str:
        """The lines of the axis behind a lane, and death."""
        death = f'<use class="death" href="#rr-death-{self.layout.key}"/>' if self._dies() else ""
        return f'<use class="grid" href="#rr-time-{self.layout.key}"/>{death}'

    def _dies(self) -> bool:
        return self.picture.death is not None and self.low <= self.picture.death <= self.high

    def _words(self) -> tuple[float, str, str]:
        """What is not drawn: values that never change, and lanes with nothing in them."""
        y = _PAD + 11.0
        self.path(f"M0 .5H{self.layout.width}", "rule")
        for text in self.picture.in_words(self.clock):
            for line in textwrap.wrap(text, int((self.layout.width - 8) / LETTER)):
                self.text(0, y, line, "soft")
                y += _LABEL
        return ceil(y - 6), 'aria-hidden="true"', self.drawn()

    # ------------------------------------------------------------ time

    def _round_times(self) -> Iterator[int]:
        """The times of the axis."""
        minutes = (self.high - self.low) / 60
        step = next((s for s in _STEPS if minutes / s <= self.layout.ticks), _STEPS[-1]) * 60
        offset = int((self.clock.at(self.low).utcoffset() or timedelta(0)).total_seconds())
        yield from range(-(-(self.low + offset) // step) * step - offset, self.high + 1, step)

    # ------------------------------------------------------------ one lane

    def _lane(self, lane: Lane) -> float:
        """Draw a lane; its height."""
        self.path(f"M0 .5H{self.layout.width}", "rule")
        y, floor = float(_PAD), 0.0
        if self.layout.gutter:
            for row, line in enumerate(textwrap.wrap(lane.title, int((self.layout.gutter - 4) / LETTER))):
                floor = y + 11 + row * 13
                self.text(0, floor, line, "title")
            if lane.unit:
                floor += 13
                self.text(0, floor, lane.unit, "small")
        else:
            self.text(0, y + 9, f"{lane.title} {lane.unit}".rstrip(), "title")
            y += 15
        if lane.readings:
            y = draw_plot(self, lane, y)
        elif lane.scores:
            y = self._scores(lane, y)
        plain = [dot for dot in lane.dots if not dot.label]
        if lane.bars or plain:
            y = self._bars(lane.bars, y, 13, plain)
        y = self._bars(lane.watched, y, 6)
        y = self._bars(lane.gaps, y, 8)
        y = self._labels([dot for dot in lane.dots if dot.label], y)
        y = self._marks(lane, y)
        # Whole pixels, so that no seam shows between two lanes.
        return ceil(max(y, floor) + _PAD)

    def _bars(self, bars: list[Bar], y: float, thick: int, dots: list[Dot] | None = None) -> float:
        """Draw bars in as few rows as they need, each with its text on it or beside it, and dots on the first row."""
        rows, row_height = Rows(), max(thick + 3, _LABEL)
        self.ringed = self.ringed or bool(bars and dots)
        for bar in sorted(bars, key=lambda b: (b.start, b.end)):
            if not self.shown(bar.start, bar.end):
                continue
            x, end = self.x(bar.start), max(self.x(bar.end), self.x(bar.start) + 2)
            text = "" if dots or bar.text in ("restrained", "police device") else bar.text
            grave = bar.severity in ("critical", "warning")
            wide, inset = self.wide(text), 16 if grave else 5
            words: list[tuple[float, str]] = []
            if not text:
                row = rows.place(x, end)
            elif thick >= 13 and bar.kind in ("own", "care") and inset + wide + 4 <= end - x:
                row = rows.place(x, end + 6)
                words = [(x + inset, text)]
            elif end + 9 + wide <= self.layout.width:
                row = rows.place(x, end + 9 + wide + 8)
                words = [(end + 9, text)]
            elif x - 6 - wide >= self.left - 10:
                row = rows.place(x - 6 - wide, end + 6)
                words = [(x - 6, text)]
            else:
                lines = textwrap.wrap(text, int((self.right - self.left) / LETTER))
                row = rows.own(1 + len(lines))
                start = min(x, self.right - max(map(self.wide, lines)))
                words = [(start, line) for line in lines]
                for below, (at, line) in enumerate(words, 1):
                    self.text(at, y + (row + below) * row_height + 11, line)
                words = []
            top = y + row * row_height
            kind = f"{bar.kind} {bar.severity or ''}".rstrip()
            kind = kind if bar.kind == "gap" else f"bar {kind}"
            middle = top + (row_height - thick) / 2
            self.rect(x, middle, end - x, thick, kind)
            if bar.open:
                self.path(f"M{n(end + 1)} {n(middle)}l4 {n(thick / 2)}l-4 {n(thick / 2)}", "open")
            if grave and bar.kind != "gap":
                self.point(x + min(8, (end - x) / 2), top + row_height / 2, bar.severity)
            for at, line in words:
                # Text before its bar ends at it: further off it would seem to belong to the bar above.
                placed = f"on-bar {bar.kind}" if x < at < end else "end plain" if at < x else "plain"
                self.text(at, top + row_height / 2 + 4, line, placed)
        for dot in dots or ():
            if self.shown(dot.time, dot.time):
                self.point(self.x(dot.time), y + row_height / 2, dot.severity, dot.hollow)
        return y + max(len(rows.ends), 1 if dots else 0) * row_height

    def _scores(self, lane: Lane, y: float) -> float:
        """A row of dots, the value under each that differs from the one before it."""
        rows, last = Rows(), ""
        for score in sorted(lane.scores, key=lambda s: s.time):
            if not self.shown(score.time, score.time):
                continue
            x, half = self.x(score.time), self.wide(score.text) / 2
            middle = min(max(x, self.left - 10 + half), self.layout.width - half)
            self.point(x, y + 5, score.severity)
            if score.text != last or score.severity:
                row = rows.place(middle - half - 3, middle + half + 3)
                self.text(middle, y + 21 + row * 13, score.text, f"middle {score.severity or ''}".rstrip())
            last = score.text
        return y + 11 + max(len(rows.ends), 1) * 13

    def _labels(self, labels: list[Dot], y: float) -> float:
        rows = Rows()
        for dot in sorted(labels, key=lambda d: d.time):
            if not self.shown(dot.time, dot.time):
                continue
            x = self.x(dot.time)
            lines = textwrap.wrap(dot.text, int((self.layout.width - self.left - 16) / LETTER))
            wide = max(map(self.wide, lines)) + 14
            # Near the right edge a label stands to the left of its moment.
            flip = x + wide > self.layout.width and x - wide >= self.left - 12
            start = x - wide if flip else min(x - 5, self.layout.width - wide)
            row = rows.place(start, max(start + wide, x + 6)) if len(lines) == 1 else rows.own(len(lines))
            at = x - 8 if flip else start + 12
            self.moment(x, y + row * _LABEL + _LABEL / 2, dot.severity)
            for below, line in enumerate(lines):
                kind = f"{'end ' if flip else ''}{dot.severity or 'plain'}"
                self.text(at, y + (row + below) * _LABEL + 11.5, line, kind)
        return y + len(rows.ends) * _LABEL

    # ------------------------------------------------------------ findings

    def _marks(self, lane: Lane, y: float) -> float:
        """Under a lane: for every finding the time it is about, a line from its moment, and its mark."""
        if not lane.marks:
            return y
        y += 2
        brackets, rows = Rows(), _PinRows(max(self.left - 26, 0), self.layout.width)
        gaps = {(gap.start, gap.end) for gap in lane.gaps}
        placed = []
        for mark in sorted(lane.marks, key=lambda m: (m.time, m.number)):
            x, (start, end) = self.x(mark.time), mark.span
            top = y
            if end > start and mark.span not in gaps and self.shown(start, end):
                left, right = self.x(start), self.x(end)
                top = y + brackets.place(left, right + 2) * 5
                self.path(f"M{n(left)} {n(top + 4)}V{n(top)}H{n(right)}V{n(top + 4)}", "bracket")
            placed.append((mark, x, top, *rows.place(x)))
        y += max(len(brackets.ends) * 5, 4)
        for mark, x, top, box, row in placed:
            at = y + row * _GRID
            self.path(f"M{n(x)} {n(top)}V{n(y)}L{n(box + _GRID / 2)} {n(at + 6)}", "stem")
            self.links.append(self._mark(mark, box, at))
        return y + rows.amount * _GRID - 3

    def _mark(self, mark: Mark, left: float, top: float) -> str:
        finding = mark.finding
        severity, absent = finding["severity"], finding["category"] == "completeness"
        x, y, w, h = left + (_GRID - _MARK_WIDTH) / 2, top + 6, _MARK_WIDTH, _MARK_HEIGHT
        said = escape(
            f"Finding {mark.number}, {severity}, {BASIS[finding['category']].lower()}, {self.clock.text(mark.time)}: {finding['title']}"
        )
        kind = f"mark {severity} {'absent' if absent else 'charted'}"
        inner = (
            f'<path d="{pin_shape(severity, x, y, w, h)}"/>'
            f'<text x="{x + w / 2:.0f}" y="{y + h / 2 + 4.5:.0f}" aria-hidden="true">{mark.number}</text>'
        )
        if not self.linked:
            return f'<g class="{kind}"><title>{said}</title>{inner}</g>'
        to = finding["fingerprint"].replace(":", "-")
        return (
            f'<a class="{kind}" id="rr-{self.layout.key}{mark.number}" href="#rr-{to}" aria-label="{said}">{inner}</a>'
        )
