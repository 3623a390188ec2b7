"""What drawings are made of: numbers, words and shapes as SVG, and rows in which nothing touches."""

from __future__ import annotations

from markupsafe import escape

from service.facts.intervals import Span

#: Width of a letter in user units: the widest of the fonts that a page asks for.
LETTER = 6.9


def n(value: float) -> str:
    """A number as short as it can be drawn."""
    return f"{value:.1f}".removesuffix(".0")


def pin_shape(severity: str, x: float, y: float, w: float, h: float) -> str:
    """The outline of a finding's mark: a house for critical, a box for a warning, a pill for info."""
    if severity == "critical":
        return f"M{n(x)} {n(y + 5)}L{n(x + w / 2)} {n(y - 2)}L{n(x + w)} {n(y + 5)}V{n(y + h)}H{n(x)}Z"
    if severity == "warning":
        return f"M{n(x)} {n(y)}H{n(x + w)}V{n(y + h)}H{n(x)}Z"
    r = h / 2
    return f"M{n(x + r)} {n(y)}H{n(x + w - r)}a{n(r)} {n(r)} 0 0 1 0 {n(h)}H{n(x + r)}a{n(r)} {n(r)} 0 0 1 0 -{n(h)}Z"


class Rows:
    """Puts stretches of a line into as few rows as they need so that none touch. ``ends``: where each row is taken to."""

    def __init__(self) -> None:
        self.ends: list[float] = []

    def place(self, start: float, end: float) -> int:
        """The row of a stretch."""
        for row, last in enumerate(self.ends):
            if last <= start:
                self.ends[row] = end
                return row
        return self.own(1, end)

    def own(self, amount: int, end: float = float("inf")) -> int:
        """The first of so many new rows."""
        self.ends += [end] * amount
        return len(self.ends) - amount

    def first_with_room(self, wide: float, width: float) -> int:
        """The last row, or a new one, for something put behind what is there."""
        if not self.ends or self.ends[-1] + wide > width:
            self.ends.append(0.0)
        self.ends[-1] += wide
        return len(self.ends) - 1


class Canvas:
    """Collects what is drawn of one lane: shapes, dots, and words, which lie over all else.

    ``ringed``: dots lie on bars.
    """

    def __init__(self) -> None:
        self.shapes: list[str] = []
        self.dots: list[str] = []
        self.words: dict[str, list[str]] = {}
        self.ringed = False

    def drawn(self) -> str:
        """What has been collected; the canvas is empty after that."""
        out = list(self.shapes)
        if self.dots:
            path = "".join(self.dots)
            if self.ringed:
                out.append(f'<path class="ring" d="{path}"/>')
            out.append(f'<path class="dots" d="{path}"/>')
        out += [f'<g class="t {kind}">{"".join(texts)}</g>' for kind, texts in self.words.items()]
        self.shapes, self.dots, self.words, self.ringed = [], [], {}, False
        return "".join(out)

    @staticmethod
    def wide(text: str) -> float:
        """How wide a text is at most."""
        return len(text) * LETTER

    def rect(self, x: float, y: float, width: float, height: float, kind: str) -> None:
        """A box."""
        size = f'width="{n(max(width, 2))}" height="{n(height)}"'
        self.shapes.append(f'<rect class="{kind}" x="{n(x)}" y="{n(y)}" {size}/>')

    def path(self, d: str, kind: str) -> None:
        """A line."""
        self.shapes.append(f'<path class="{kind}" d="{d}"/>')

    def text(self, x: float, y: float, text: str, kind: str = "plain") -> None:
        """Words; with ``middle`` or ``end`` in ``kind``, ``x`` is not their start."""
        if text:
            self.words.setdefault(kind, []).append(f'<text x="{x:.0f}" y="{y:.0f}">{escape(text)}</text>')

    def point(self, x: float, y: float, severity: str | None, hollow: bool = False) -> None:
        """Something charted at a moment: a triangle under a critical finding, a diamond under a warning, else a dot."""
        if severity == "critical":
            self.path(f"M{n(x)} {n(y - 5.5)}l5.5 9.5h-11z", "dot critical")
        elif severity == "warning":
            self.path(f"M{n(x)} {n(y - 5)}l5 5l-5 5l-5 -5z", "dot warning")
        elif hollow:
            self.shapes.append(f'<circle class="dot hollow" cx="{n(x)}" cy="{n(y)}" r="4"/>')
        else:
            self.dots.append(f"M{n(x)} {n(y)}h0")

    def moment(self, x: float, y: float, severity: str | None) -> None:
        """The moment of a label: a tick, or the shape of its severity."""
        if severity in ("critical", "warning"):
            self.point(x, y, severity)
        else:
            self.path(f"M{n(x)} {n(y - 6)}v12", "tick")


class Band(Canvas):
    """A canvas over a stretch of time, drawn between ``left`` and ``right``."""

    def __init__(self, window: Span, left: float, right: float) -> None:
        super().__init__()
        self.low, self.high = window
        self.left, self.right = left, right

    def x(self, time: int) -> float:
        """Where a time stands; what lies outside stands at the edge."""
        share = (min(max(time, self.low), self.high) - self.low) / (self.high - self.low)
        return self.left + share * (self.right - self.left)

    def shown(self, start: int, end: int) -> bool:
        """Whether a stretch touches the time that is drawn."""
        return end >= self.low and start <= self.high
