"""How figures are taken: CPU time of this process, several things in turn, medians and spreads.

Rounds alternate between the things measured, so that a neighbor who takes the
machine for a while is met by all of them. Ratios are made round by round.
"""

from __future__ import annotations

import os
import platform
import statistics
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

Run = Callable[[], object]
T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure a round, microseconds of CPU a call."""

    rounds: tuple[float, ...]

    @property
    def median(self) -> float:
        """The middle one."""
        return statistics.median(self.rounds)

    @property
    def spread(self) -> str:
        """Lowest and highest round."""
        return f"{min(self.rounds):.0f}-{max(self.rounds):.0f}"

    def over(self, other: Figure) -> float:
        """Median of the ratios to another figure of the same rounds."""
        return statistics.median(a / b for a, b in zip(self.rounds, other.rounds, strict=True))


def interleaved(runs: Mapping[str, Run], rounds: int, seconds: float) -> dict[str, Figure]:
    """Every run for about so many seconds a round, in turn; each is called once before, unmeasured."""
    counts = {}
    for name, run in runs.items():
        run()
        start = time.process_time()
        run()
        counts[name] = max(1, round(seconds / max(time.process_time() - start, 1e-6)))
    found: dict[str, list[float]] = {name: [] for name in runs}
    for _ in range(rounds):
        for name, run in runs.items():
            start = time.process_time()
            for _ in range(counts[name]):
                run()
            found[name].append((time.process_time() - start) / counts[name] * 1e6)
    return {name: Figure(tuple(values)) for name, values in found.items()}


def each(function: Callable[[T], object], items: Sequence[T]) -> Run:
    """A run that takes the next item at every call, so that nothing kept for one item helps the next."""
    place = -1

    def run() -> object:
        nonlocal place
        place = (place + 1) % len(items)
        return function(items[place])

    return run


def table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """A Markdown table."""
    lines = ["| " + " | ".join(head) + " |", "|" + "---|" * len(head)]
    return "\n".join([*lines, *("| " + " | ".join(row) + " |" for row in rows)])


def machine() -> str:
    """What it was measured on, and how busy that was."""
    names = [
        line.split(":", 1)[1].strip()
        for line in Path("/proc/cpuinfo").read_text().splitlines()
        if line.startswith("model name")
    ]
    return (
        f"{names[0] if names else platform.machine()}, {os.cpu_count()} cores, Linux {platform.release().split('-')[0]}, "
        f"{platform.python_implementation()} {platform.python_version()}, load average {os.getloadavg()[0]:.1f}"
    )
