"""What a work may cost, in CPU seconds of the machine that the limits were set on.

A shared machine can be four times slower from one minute to the next, and a limit in its seconds would then fail for
nothing. So a fixed work of the same kind is timed before and after, and a limit grows with what that took.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Iterator

#: CPU seconds of ``_fixed_work`` on the machine that the limits were set on, with nothing else running.
FIXED_WORK_TAKES = 0.006


def _fixed_work() -> None:
    words = [f"word {number}" for number in range(20_000)]
    counted: dict[str, int] = {}
    for word in words:
        for part in word.split():
            counted[part] = counted.get(part, 0) + 1


def _cpu_of_fixed_work() -> float:
    taken = []
    for _ in range(3):
        began = time.process_time()
        _fixed_work()
        taken.append(time.process_time() - began)
    return min(taken)


@contextlib.contextmanager
def cpu_at_most(seconds: float) -> Iterator[None]:
    """Fails if the block takes more CPU than ``seconds`` would have been on the machine of the limits."""
    before = _cpu_of_fixed_work()
    began = time.process_time()
    yield
    taken = time.process_time() - began
    slower = max(1.0, before / FIXED_WORK_TAKES, _cpu_of_fixed_work() / FIXED_WORK_TAKES)
    assert taken < seconds * slower, f"{taken:.3f} s of CPU, allowed {seconds} s, machine {slower:.1f} times slower"
