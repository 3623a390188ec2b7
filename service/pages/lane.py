"""One lane of the picture of an episode: what lies in it, which time is drawn, and the same in words.

Times are epoch seconds.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from service.facts.intervals import Span
from service.wording.clock import Clock
from service.wording.words import number

from .limits import Limit


@dataclass(frozen=True, slots=True)
class Bar:
    """A stretch of time. ``kind``: own, police, watch or care, for its color; ``open``: its end is not charted."""

    start: int
    end: int
    kind: str
    text: str
    severity: str | None = None
    open: bool = False


@dataclass(frozen=True, slots=True)
class Dot:
    """A moment: drawn on the bar, or with ``label`` as text on a line of its own. ``hollow``: a check that was not done."""

    time: int
    text: str
    severity: str | None = None
    label: bool = False
    hollow: bool = False


@dataclass(frozen=True, slots=True)
class Reading:
    """One measured value; ``value`` None: the waveform was lost."""

    time: int
    value: float | None
    severity: str | None


@dataclass(frozen=True, slots=True)
class Mark:
    """A finding in a lane: when it happened, its number on the page, and the finding."""

    time: int
    number: int
    finding: Mapping[str, Any]


@dataclass(slots=True)
class Lane:
    """One lane. ``none``: what it says where nothing is in it."""

    key: str
    title: str
    none: str = ""
    unit: str = ""
    bars: list[Bar] = field(default_factory=list)
    dots: list[Dot] = field(default_factory=list)
    readings: list[Reading] = field(default_factory=list)
    limits: list[Limit] = field(default_factory=list)
    gaps: list[Span] = field(default_factory=list)
    marks: list[Mark] = field(default_factory=list)

    @property
    def empty(self) -> bool:
        """Whether there is nothing to draw."""
        return not (self.bars or self.dots or self.readings or self.gaps)


@dataclass(frozen=True, slots=True)
class Picture:
    """All lanes, the ``window`` of time that is drawn, how many moments lie outside it, and the findings without a time."""

    lanes: tuple[Lane, ...]
    window: Span
    outside: int
    unplaced: tuple[Mark, ...]


def _moments(lane: Lane) -> Iterable[int]:
    for bar in lane.bars:
        yield from (bar.start, bar.end)
    yield from (dot.time for dot in lane.dots)
    yield from (reading.time for reading in lane.readings)


#: Seconds. A longer record has a wrong date more often than not, so the picture shows the time around its middle.
_LONGEST = 12 * 3600


def time_drawn(lanes: Iterable[Lane]) -> tuple[Span, int]:
    """The time to draw, and how many moments lie outside it."""
    times = sorted({t for lane in lanes for t in _moments(lane)})
    if not times:
        return (0, 0), 0
    inside = times
    if times[-1] - times[0] > _LONGEST:
        middle = times[len(times) // 2]
        inside = [t for t in times if abs(t - middle) <= _LONGEST // 2]
    return (inside[0], max(inside[-1], inside[0] + 60)), len(times) - len(inside)


def entries(lanes: Iterable[Lane], clock: Clock) -> list[tuple[str, str, str]]:
    """The picture in words: (time, lane, what), in order of time."""
    rows: list[tuple[int, str, str, str]] = []
    for lane in lanes:
        for bar in lane.bars:
            end = " (end not charted)" if bar.open else ""
            rows.append((bar.start, clock.span(bar.start, bar.end), lane.title, f"{bar.text}{end}"))
        rows += [(dot.time, clock.text(dot.time), lane.title, dot.text) for dot in lane.dots]
        rows += [
            (
                r.time,
                clock.text(r.time),
                lane.title,
                "waveform lost" if r.value is None else f"{number(r.value)} {lane.unit}",
            )
            for r in lane.readings
        ]
        rows += [(start, clock.span(start, end), lane.title, "no entry") for start, end in lane.gaps]
    return [row[1:] for row in sorted(rows, key=lambda row: row[0])]
