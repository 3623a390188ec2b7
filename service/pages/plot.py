"""Readings over time with the limits of the profile."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from service.wording.headings import SEVERITIES
from service.wording.words import number

from .drawing import Band, n
from .lane import Lane, Reading
from .limits import Limit

#: Height of the plot where few limits are shown, and of a number beside it.
_PLOT, _SMALL = 54.0, 10.0

#: (left, top, right, bottom)
_Box = tuple[float, float, float, float]


def _near(limits: Sequence[Limit], values: Sequence[float], *, low: bool) -> list[Limit]:
    """The limits of one side that are shown: those that a reading goes beyond, and the next."""
    side = [limit for limit in limits if limit.low is low]
    crossed = sum(any(v < each.value if low else v > each.value for v in values) for each in side)
    return side[: crossed + 1]


def draw_plot(drawing: Band, lane: Lane, y: float) -> float:
    """Draw the readings of a lane from ``y`` on; the bottom."""
    values = [v for reading in lane.readings for v in (reading.value, reading.low) if v is not None]
    chosen = [*_near(lane.limits, values, low=True), *_near(lane.limits, values, low=False)]
    height = max(_PLOT, _SMALL * len(chosen))
    ends = [*values, *(limit.value for limit in chosen)] or [0.0]
    spread = max(max(ends) - min(ends), 4)
    low, high = min(ends) - spread * 0.15, max(ends) + spread * 0.15
    if lane.key == "spo2":
        high = max(101.0, max(ends))

    def at(value: float) -> float:
        return y + height - (value - low) / (high - low) * height

    drawing.rect(drawing.left, y, drawing.right - drawing.left, height, "plot")
    _limits(drawing, chosen, y, height, at)
    shown = [r for r in sorted(lane.readings, key=lambda r: r.time) if drawing.shown(r.time, r.time)]
    for reading in shown:
        _reading(drawing, reading, y + height, at)
    _values(drawing, shown, {mark.time for mark in lane.marks}, (y, y + height), at)
    return y + height + 2


def _limits(drawing: Band, limits: Sequence[Limit], y: float, height: float, at: Callable[[float], float]) -> None:
    labels: list[tuple[float, str]] = []
    for low in (True, False):
        grave = len(SEVERITIES) - 1
        for limit in (m for m in limits if m.low is low):
            # Beyond a limit of one severity nothing is drawn less severe.
            grave = min(grave, SEVERITIES.index(limit.severity))
            edge, kind = at(limit.value), SEVERITIES[grave]
            top, tall = (edge, y + height - edge) if low else (y, edge - y)
            drawing.rect(drawing.left, top, drawing.right - drawing.left, tall, f"zone {kind}")
            drawing.path(f"M{n(drawing.left)} {n(edge)}H{n(drawing.right)}", f"limit {kind}")
            sign = ("≤" if limit.inclusive else "<") if low else ("≥" if limit.inclusive else ">")
            labels.append((edge, f"{sign} {number(limit.value)}"))
    labels.sort()
    placed: list[float] = []
    for edge, _ in labels:
        placed.append(max(edge + 3.5, placed[-1] + _SMALL if placed else 0))
    over = placed[-1] - (y + height) if placed else 0
    for (_, text), line_at in zip(labels, placed, strict=True):
        drawing.text(drawing.right + 4, line_at - max(over, 0), text, "small")


def _reading(drawing: Band, reading: Reading, floor: float, at: Callable[[float], float]) -> None:
    x = drawing.x(reading.time)
    if reading.value is None:
        drawing.path(f"M{n(x - 4)} {n(floor - 10)}l8 8m0 -8l-8 8", f"lost {reading.severity or ''}".rstrip())
        return
    if reading.low is not None:
        drawing.path(f"M{n(x)} {n(at(reading.value))}V{n(at(reading.low))}m-3 0h6", "bp")
    drawing.point(x, at(reading.value), reading.severity)


def _values(
    drawing: Band, shown: Sequence[Reading], pinned: set[int], room: tuple[float, float], at: Callable[[float], float]
) -> None:
    """The number of a reading where there is room for it; what a finding points at comes first."""
    dots: list[_Box] = []
    ends: list[tuple[float, float]] = []
    for r in shown:
        if r.value is not None:
            x, top = drawing.x(r.time), at(r.value)
            foot = top if r.low is None else at(r.low)
            dots.append((x - 4, top - 5, x + 4, foot + 5))
            ends += [(x, top), (x, foot)]
    taken: list[_Box] = []

    def rank(reading: Reading) -> tuple[bool, int, int]:
        grave = SEVERITIES.index(reading.severity) if reading.severity else len(SEVERITIES)
        return reading.time not in pinned, grave, reading.time

    for reading in sorted(shown, key=rank):
        if reading.value is None:
            continue
        x, half = drawing.x(reading.time), drawing.wide(reading.text) / 2
        middle = min(max(x, drawing.left - 8 + half), drawing.right + 2 - half)
        spot, foot = at(reading.value), at(reading.value if reading.low is None else reading.low)
        for base, own in ((spot - 8, spot), (foot + 16, foot)):
            box = (middle - half, base - 10, middle + half, base + 1)
            inside = room[0] - 2 <= box[1] and box[3] <= room[1] + 2
            if (
                inside
                and not any(_touch(box, other) for other in (*taken, *dots))
                and _nearest(middle, base, x, own, ends)
            ):
                taken.append(box)
                drawing.text(middle, base, reading.text, f"value middle {reading.severity or ''}".rstrip())
                break


def _nearest(middle: float, base: float, x: float, own: float, ends: Sequence[tuple[float, float]]) -> bool:
    """Whether nobody takes a number for that of another reading: its own is the nearest."""
    far = abs(middle - x) + abs(base - 4 - own)
    return not any(abs(middle - a) + abs(base - 4 - b) < far + 2 for a, b in ends if (a, b) != (x, own))


def _touch(one: _Box, other: _Box) -> bool:
    return one[0] < other[2] and other[0] < one[2] and one[1] < other[3] and other[1] < one[3]
