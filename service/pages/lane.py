"""One lane of the picture of an episode: what lies in it, which time is drawn, and the same in words.

Times are epoch seconds.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import groupby
from typing import Any

from service.facts.intervals import Span
from service.wording.clock import Clock
from service.wording.headings import count
from service.wording.words import number

from .limits import Limit


@dataclass(frozen=True, slots=True)
class Bar:
    """A stretch of time. ``kind``: own, police, watch, care or gap, for its pattern; ``open``: its end is not charted."""

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
    """One measured value; ``value`` None: the waveform was lost. ``low``: of a blood pressure, the diastolic."""

    time: int
    value: float | None
    severity: str | None
    low: float | None = None

    @property
    def text(self) -> str:
        """As people write it."""
        if self.value is None:
            return "waveform lost"
        return number(self.value) if self.low is None else f"{number(self.value)}/{number(self.low)}"


@dataclass(frozen=True, slots=True)
class Mark:
    """A finding in a lane: its number on the page, the moment it points at, and the stretch of time it is about."""

    time: int
    number: int
    finding: Mapping[str, Any]
    span: Span


@dataclass(slots=True)
class Lane:
    """One lane. ``none``: what it says where nothing is in it; ``watched``: stretches on a monitor; ``gaps``: without an entry.

    ``scores``: values shown as a row of numbers.
    """

    key: str
    title: str
    none: str = ""
    unit: str = ""
    bars: list[Bar] = field(default_factory=list)
    dots: list[Dot] = field(default_factory=list)
    readings: list[Reading] = field(default_factory=list)
    scores: list[Dot] = field(default_factory=list)
    limits: list[Limit] = field(default_factory=list)
    watched: list[Bar] = field(default_factory=list)
    gaps: list[Bar] = field(default_factory=list)
    marks: list[Mark] = field(default_factory=list)

    @property
    def points(self) -> list[Dot | Reading]:
        """Everything in it that has one time."""
        return [*self.dots, *self.readings, *self.scores]

    @property
    def empty(self) -> bool:
        """Whether there is nothing to draw."""
        return not (self.bars or self.points or self.watched or self.gaps or self.marks)

    @property
    def constant(self) -> bool:
        """Whether it holds one value alone, that no finding is about."""
        return bool(self.scores) and not self.marks and len({score.text for score in self.scores}) == 1


@dataclass(frozen=True, slots=True)
class Picture:
    """All lanes, the ``window`` of time that is drawn, how many moments lie outside it, and the findings without a time.

    ``death``: its time, None where none is charted.
    """

    lanes: tuple[Lane, ...]
    window: Span
    outside: int
    unplaced: tuple[int, ...]
    death: int | None

    @property
    def drawn(self) -> list[Lane]:
        """The lanes with something to draw; of the others ``in_words`` tells."""
        return [lane for lane in self.lanes if not lane.empty and not lane.constant]

    def in_words(self, clock: Clock) -> list[str]:
        """The lanes that hold one value alone, and by their reason those that hold nothing."""
        out = []
        for lane in (lane for lane in self.lanes if lane.constant):
            times = sorted(score.time for score in lane.scores)
            value = f"{lane.scores[0].text} {lane.unit}".rstrip()
            out.append(f"{lane.title} {value}: {count(len(times), 'reading')}, {clock.span(times[0], times[-1])}.")
        empty = sorted((lane for lane in self.lanes if lane.empty and lane.none), key=lambda lane: lane.none)
        for none, under in groupby(empty, key=lambda lane: lane.none):
            out.append(
                f"{none[:1].upper()}{none[1:]}: {', '.join(lane.title.lower() if lane.title[1:].islower() or ' ' in lane.title else lane.title for lane in under)}."
            )
        return out


def moments(lane: Lane) -> Iterator[int]:
    """Every time in a lane."""
    for bar in (*lane.bars, *lane.watched):
        yield from (bar.start, bar.end)
    for point in lane.points:
        yield point.time


#: Seconds. A longer record has a wrong date more often than not, so the picture shows the time around its middle.
_LONGEST = 12 * 3600


def time_drawn(lanes: Iterable[Lane]) -> tuple[Span, int]:
    """The time to draw, and how many moments lie outside it."""
    times = sorted({t for lane in lanes for t in moments(lane)})
    if not times:
        return (0, 0), 0
    inside = times
    if times[-1] - times[0] > _LONGEST:
        middle = times[len(times) // 2]
        inside = [t for t in times if abs(t - middle) <= _LONGEST // 2]
    return (inside[0], max(inside[-1], inside[0] + 60)), len(times) - len(inside)


def entries(lanes: Sequence[Lane], clock: Clock) -> list[tuple[str, list[str]]]:
    """The picture in words: (time, what is charted then), in order of time."""
    rows: list[tuple[int, str, str]] = []
    for lane in lanes:
        for bar in (*lane.bars, *lane.watched, *lane.gaps):
            end = " (end not charted)" if bar.open else ""
            rows.append((bar.start, clock.span(bar.start, bar.end), f"{lane.title}: {bar.text}{end}"))
        for point in lane.points:
            unit = "" if point.text == "waveform lost" else lane.unit
            rows.append((point.time, clock.text(point.time), f"{lane.title}: {point.text} {unit}".rstrip()))
    rows.sort(key=lambda row: row[:2])
    return [(time, [row[2] for row in under]) for time, under in groupby(rows, key=lambda row: row[1])]
