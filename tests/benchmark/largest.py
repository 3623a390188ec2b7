"""How work grows with each list of the worst record: ``python -m tests.benchmark.largest --size 1950``.

The record is the demo episode in which everything is wrong. For each of its
lists alone, at half the size and at the whole: CPU seconds of each step. Then
five long lists at once, the largest record that the service reads, with the
size of its answer and the most memory that the process has taken. What has no
loop grows with sorting at most: the double takes hardly more than twice.
"""

from __future__ import annotations

import argparse
import gc
import resource
import time
from collections.abc import Callable

from service.pages import review as review_page
from service.pipeline import Pipeline
from service.representations import operation_outcome, review_json, svrl
from service.review.build import Review, Wanted
from service.review.build import build as build_review
from tests.benchmark.stages import MEDIA_TYPE, PROFILE
from tests.support import large
from tests.support.pipeline import pipeline


def renders(built: Pipeline) -> dict[str, Callable[[Review], bytes]]:
    return {
        "json": review_json.render,
        "outcome": operation_outcome.render,
        "svrl": svrl.render,
        "page": lambda review: review_page.render(review, built.rulebook),
    }


def steps(built: Pipeline, body: bytes) -> tuple[dict[str, float], dict[str, int]]:
    """Step -> its CPU seconds; representation -> its bytes. Without the collector of garbage, which comes when it likes."""
    gc.collect()
    gc.disable()
    try:
        return _steps(built, body)
    finally:
        gc.enable()


def _steps(built: Pipeline, body: bytes) -> tuple[dict[str, float], dict[str, int]]:
    took: dict[str, float] = {}
    sizes: dict[str, int] = {}
    last = time.process_time()

    def done(step: str) -> None:
        nonlocal last
        now = time.process_time()
        took[step], last = now - last, now

    intake = built.read(body, MEDIA_TYPE)
    done("read")
    sheet = built.facts(intake.episode)
    done("facts")
    decisions = built._deciders[PROFILE].decide(sheet)
    done("decide")
    review = build_review(built._rulesets[PROFILE], intake, sheet, decisions, Wanted(full=True))
    done("review")
    for name, render in renders(built).items():
        sizes[name] = len(render(review))
        done(name)
    return took, sizes


def best(built: Pipeline, body: bytes, rounds: int) -> dict[str, float]:
    """Step -> the least CPU seconds of several rounds."""
    every = [steps(built, body)[0] for _ in range(rounds)]
    return {step: min(each[step] for each in every) for step in every[0]}


def main() -> None:
    """Print both tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--size", type=int, default=1950)
    parser.add_argument("--rounds", type=int, default=2)
    arguments = parser.parse_args()
    built, size = pipeline(), arguments.size
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1000
    took, sizes = steps(built, body := large.body(large.FIVE, size))
    after = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1000
    print(f"Five lists of {size} ({len(body) / 1e6:.1f} MB): {', '.join(large.FIVE)}\n")
    print("| step | CPU, s | answer, MB |\n|---|---|---|")
    for step, seconds in took.items():
        print(f"| {step} | {seconds:.2f} | {f'{sizes[step] / 1e6:.1f}' if step in sizes else ''} |")
    print(f"| all | {sum(took.values()):.2f} | |")
    print(f"\nMemory of the process: {before:.0f} MB before, {after:.0f} MB at most.\n")
    print(f"| list | {size // 2} to {size}: " + " | ".join(took) + " |\n" + "|---" * (len(took) + 1) + "|")
    for path in large.lists():
        half, whole = (best(built, large.body([path], each), arguments.rounds) for each in (size // 2, size))
        print(f"| {path} | " + " | ".join(f"{half[s]:.3f} to {whole[s]:.3f}" for s in took) + " |", flush=True)


if __name__ == "__main__":
    main()
