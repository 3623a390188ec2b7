"""What a review does, in counts that no neighbor on the machine can change: the guard against slow slips.

``python -m tests.benchmark.counts --write`` records them again. Calls are those
that ``sys.setprofile`` sees; memory is the most that Python held at one
moment of the review, as tracemalloc sees it.
"""

from __future__ import annotations

import argparse
import json
import sys
import tracemalloc
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from service.engine import fence
from service.pipeline import Pipeline
from service.representations import review_json
from tests.benchmark.episodes import NARRATIVE, SIZES
from tests.benchmark.stages import MEDIA_TYPE, PROFILE, bodies

FILE = Path(__file__).parent / "counts.json"
#: A slip of a third shows itself; so does a gain, which would hide the next slip.
MARGIN = 1 / 3
VERSION = f"{sys.version_info.major}.{sys.version_info.minor}"

Counts = dict[str, int]
#: What is counted: (items, narrative in place of the episode's own).
BODIES: dict[str, tuple[int, str | None]] = {
    **{str(size): (size, None) for size in SIZES},
    f"{SIZES[0]}, {len(NARRATIVE)} characters of narrative": (SIZES[0], NARRATIVE),
}


def _review(pipeline: Pipeline, body: bytes) -> Any:
    review = pipeline.review(body, MEDIA_TYPE, PROFILE)
    review_json.render(review)
    return review


def calls(pipeline: Pipeline, body: bytes) -> tuple[int, int]:
    """Calls of Python functions and of C functions in one review."""
    seen = {"call": 0, "c_call": 0}

    def count(_frame: object, event: str, _argument: object) -> None:
        if event in seen:
            seen[event] += 1

    _review(pipeline, body)
    before = sys.getprofile()
    sys.setprofile(count)
    try:
        _review(pipeline, body)
    finally:
        sys.setprofile(before)
    return seen["call"], seen["c_call"]


class _Counting:
    """The engine's module, with the batches it is given counted."""

    def __init__(self, module: Any) -> None:
        self._module, self.batches = module, 0

    def __getattr__(self, name: str) -> Any:
        return getattr(self._module, name)

    def assert_facts(self, *arguments: Any) -> Any:
        """One batch."""
        self.batches += 1
        return self._module.assert_facts(*arguments)


def engine_calls(run: Any) -> int:
    """Batches that the engine is given while something runs."""
    home: Any = fence
    real = home.engine
    counting = home.engine = _Counting(real)
    try:
        run()
    finally:
        home.engine = real
    return counting.batches


def count(pipeline: Pipeline, size: int, narrative: str | None = None) -> Counts:
    """All counts of one review of a benchmark episode."""
    first, second = bodies(size, 2, narrative)
    python, c = calls(pipeline, first)
    facts = len(_review(pipeline, first).sheet.facts)
    batches = engine_calls(lambda: _review(pipeline, second))
    tracemalloc.start()
    _review(pipeline, second)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return {"facts": facts, "engine_calls": batches, "python_calls": python, "c_calls": c, "peak_kb": peak // 1024}


def recorded() -> dict[str, dict[str, Counts]]:
    """Python version -> size -> counts."""
    return dict(json.loads(FILE.read_text("utf-8")))


def slips(before: Mapping[str, int], now: Mapping[str, int]) -> list[str]:
    """What moved by more than a third, one line each."""
    return [
        f"{name}: {now[name]}, recorded {value}" + ("" if now[name] > value else "; better: record it again")
        for name, value in before.items()
        if not value * (1 - MARGIN) <= now[name] <= value * (1 + MARGIN)
    ]


def main() -> None:
    """Print the counts, and record them on demand."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--write", action="store_true", help="record them for this version of Python")
    arguments = parser.parse_args()
    pipeline = Pipeline.build()
    found = {name: count(pipeline, size, narrative) for name, (size, narrative) in BODIES.items()}
    print(json.dumps(found, indent=1))
    if arguments.write:
        kept = recorded() if FILE.exists() else {}
        FILE.write_text(json.dumps({**kept, VERSION: found}, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
