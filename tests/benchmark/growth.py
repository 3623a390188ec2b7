"""What a review costs as episodes grow, and what deciding costs as the rulebook grows.

Items: 10 to nearly 10,000 timed items, the most the service reads in one
episode, at one a minute over the five lists that grow with a long restraint.
Rules: the shipped ones in part, or some a second time under new ids.
"""

from __future__ import annotations

import ctypes
import gc
import json
import math
import os
import random
import subprocess
import sys
import time
import tracemalloc
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from service.engine.decide import Decider
from service.facts.fact import FactSheet
from service.pipeline import Pipeline
from service.representations import review_json
from service.rulebook.profiles import bind_all
from service.rulebook.rule import BoundRule
from tests.benchmark import episodes
from tests.benchmark.episodes import at, timed_items
from tests.benchmark.stages import MEDIA_TYPE, PROFILE
from tests.support.episodes import Document
from tests.support.mutate import lists

ITEMS = (10, 30, 100, 300, 1000, 3000, 9800)
RULES = (50, 100, 200, 300, 400, 500)
#: Ten times the items may take ten times as long and a quarter more.
LINEAR = 1.1
_LIMBS = (("wrist", "right"), ("wrist", "left"), ("ankle", "left"), ("ankle", "right"))
_BEGIN = 20


def _vital(number: int, minute: int) -> Document:
    return {
        "id": f"v{number}",
        "time": at(minute),
        "hr": 92 + number % 5,
        "rr": 16,
        "spo2": 97,
        "etco2_mmhg": 38,
        "sbp": 128,
        "dbp": 80,
    }


def _check(number: int, minute: int) -> Document:
    site, side = _LIMBS[number % 4]
    return {"id": f"c{number}", "site": site, "side": side, "time": at(minute), "pulse": "present", "cap_refill_s": 1.5, "motor": "normal", "sensation": "normal", "skin": "normal", "by": "p1"}  # fmt: skip


def _look(number: int, minute: int) -> Document:
    return {"id": f"r{number}", "time": at(minute), "airway": "clear", "breathing": "normal"}


def _action(number: int, minute: int) -> Document:
    return {"id": f"t{number}", "action": "head_raised", "time": at(minute)}


def _reassessment(number: int, minute: int) -> Document:
    return {"id": f"q{number}", "time": at(minute), "decision": "continue", "reason": "danger_goes_on"}


def grown(size: int) -> Document:
    """An episode with exactly so many timed items, at least 10."""
    document = episodes._skeleton(episodes.SEED)
    document["episode_ref"] = f"grown-{size}"
    monitoring = document["monitoring"]
    rows: list[tuple[list[Document], Callable[[int, int], Document]]] = [
        (monitoring["vitals"], _vital),
        (monitoring["limb_checks"], _check),
        (monitoring["breathing_checks"], _look),
        (monitoring["actions"], _action),
        (document["reassessments"], _reassessment),
    ]
    left = size - timed_items(document)
    while left < 0:  # smaller than the skeleton: the longest list gives way
        max(lists(document), key=len).pop()
        left = size - timed_items(document)
    for index in range(left):
        listed, made = rows[index % len(rows)]
        listed.append(made(len(listed) + 1, _BEGIN + index))
    episodes._close(document, _BEGIN + max(left, 10) + 5)
    return document


@dataclass(frozen=True, slots=True)
class Point:
    """One size: CPU ms (median of the rounds), their spread, and memory in kB."""

    size: int
    ms: float
    spread: tuple[float, float]
    kb: int


def _timed(run: Callable[[], object], rounds: int) -> list[float]:
    run()
    found = []
    for _ in range(rounds):
        start = time.process_time()
        run()
        found.append((time.process_time() - start) * 1000)
    return found


def _point(size: int, costs: Sequence[float], kb: int) -> Point:
    return Point(size, sorted(costs)[len(costs) // 2], (min(costs), max(costs)), kb)


def by_items(pipeline: Pipeline, sizes: Sequence[int] = ITEMS, rounds: int = 5) -> list[Point]:
    """Whole reviews. Memory is the most that Python held at one moment of one review."""
    found = []
    for size in sizes:
        body = json.dumps(grown(size)).encode()

        def run(body: bytes = body) -> bytes:
            return review_json.render(pipeline.review(body, MEDIA_TYPE, PROFILE))

        few = max(rounds, min(40, 2000 // size))
        costs = _timed(run, few)
        tracemalloc.start()
        run()
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        found.append(_point(size, costs, peak // 1024))
    return found


def some_rules(pipeline: Pipeline, number: int) -> tuple[BoundRule, ...]:
    """So many rules, drawn from all, or all and some of them again."""
    book = pipeline.rulebook
    every = list(bind_all(book.rules, book.profiles[PROFILE], book.vocabulary.units))
    random.Random(episodes.SEED).shuffle(every)
    more = [replace(bound, rule=replace(bound.rule, id=f"{bound.rule.id}-again")) for bound in every]
    return tuple((every + more)[:number])


class _InUse(ctypes.Structure):
    """What mallinfo2(3) answers."""

    _fields_ = [
        (name, ctypes.c_size_t)
        for name in [
            "arena",
            "ordblks",
            "smblks",
            "hblks",
            "hblkhd",
            "usmblks",
            "fsmblks",
            "uordblks",
            "fordblks",
            "keepcost",
        ]
    ]


def _in_use_kb() -> int:
    libc = ctypes.CDLL(None)
    libc.mallinfo2.restype = _InUse
    answer = libc.mallinfo2()
    return int(answer.uordblks + answer.hblkhd) // 1024


def _first_use(pipeline: Pipeline, number: int) -> int:
    """What building a decider for so many rules and one decision added, in kB. Run where all memory is malloc's."""
    words, chosen, sheet = pipeline.rulebook.vocabulary, some_rules(pipeline, number), _sheet(pipeline)
    gc.collect()
    before = _in_use_kb()
    decider = Decider(chosen, words.catalogue, words.when_none)  # type: ignore[arg-type]
    decider.decide(sheet)
    gc.collect()
    return _in_use_kb() - before


def _sheet(pipeline: Pipeline) -> FactSheet:
    return pipeline.facts(pipeline.read(episodes.path(60).read_bytes(), MEDIA_TYPE).episode)


def by_rules(pipeline: Pipeline, sizes: Sequence[int] = RULES, rounds: int = 5) -> list[Point]:
    """Engine and evaluator on the facts of the 60-item episode. Memory is what a decider keeps, engine included.

    Memory is asked in a process of its own for each size, in which Python's
    memory too comes from malloc (glibc only).
    """
    words, sheet = pipeline.rulebook.vocabulary, _sheet(pipeline)
    found = []
    for size in sizes:
        command = [sys.executable, "-m", "tests.benchmark.growth", str(size)]
        kb = subprocess.check_output(command, env={**os.environ, "PYTHONMALLOC": "malloc"}, timeout=120)
        decider = Decider(some_rules(pipeline, size), words.catalogue, words.when_none)  # type: ignore[arg-type]
        found.append(_point(size, _timed(lambda decider=decider: decider.decide(sheet), rounds * 8), int(kb)))  # type: ignore[misc]
    return found


def exponent(points: Sequence[Point], least: int) -> float:
    """Slope of cost over size in a log-log plane, from ``least`` on (least squares); 1 is linear.

    Of the lowest cost of each size: neighbors on the machine only ever add to it.
    """
    pairs = [(math.log(p.size), math.log(p.spread[0])) for p in points if p.size >= least]
    x, y = (sum(values) / len(pairs) for values in zip(*pairs, strict=True))
    return float(sum((a - x) * (b - y) for a, b in pairs) / sum((a - x) ** 2 for a, _ in pairs))


def plot(points: Sequence[Point], of: str, width: int = 50) -> str:
    """Bars of cost, one a size, both on a logarithmic scale."""
    low, high = min(p.ms for p in points), max(p.ms for p in points)
    lines = [f"{of:>7}        ms   spread              kB  us each"]
    for p in points:
        bar = "#" * max(1, round(1 + (width - 1) * (math.log(p.ms / low) / math.log(high / low) if high > low else 1)))
        spread = f"{p.spread[0]:.2f}-{p.spread[1]:.2f}"
        lines.append(f"{p.size:7} {p.ms:9.2f}   {spread:15} {p.kb:6} {p.ms / p.size * 1000:8.1f}  {bar}")
    return "\n".join(lines)


if __name__ == "__main__":
    print(_first_use(Pipeline.build(), int(sys.argv[1])))
