"""Which changes of the service its tests notice: ``python -m tests.mutants --sample 300 --seed 1 --map FOLDER``.

A place is a file, a line and an operator (see ``places``), in the rooms of ``ROOMS``. The sample is drawn by seed from the
places that a test runs; where a line has several changes of one kind, the seed takes one. What no test of the map runs is
counted apart, and all of it: it is no part of the sample.

The tests are those that run the line, by the map (see ``coverage_map``): up to ``--budget`` seconds of CPU those that run
most of the function around it for their time; for half of that one of each file in turn, the folder that mirrors the room
first; for a third others of the same files, since what tests share runs in the first of them only; and those that read
the source and the tables of the room (``choosing.READERS``). What runs when a module is loaded is tried with the tests that run
something in the module, or, where nothing does, in those that import it. Tests marked ``live``, slow ones (see
``recording``), those of a file that is slow to load and those of other folders than ``TESTED`` are not asked.

Each mutant is tried in a process of its own, on a copy of the tree. One that does not end is stopped by its CPU time, and
counts as killed, told apart. At the end every test that killed is run without a mutant: a kill by one that fails then is
taken back. The result is Markdown; the exit status says whether the control held.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

from service.batch.statistics import wilson

from .choosing import BUILD, Place, Tests, every_place, jobs_of, sample
from .coverage_map import ROOT, make
from .trial import LOADING, PIPELINE, Job, Verdict
from .trials import try_all

ROOMS = ("facts", "engine", "intake", "formats", "narrative", "review", "representations")
TESTED = (*ROOMS, "episode", "pages", "published", "rules", "corpora", "examples", "demo")
#: Lines ``file | within | operator | before -> after | reason`` of mutants that no test can tell from the service.
EQUIVALENT = Path(__file__).with_name("equivalent.txt")
RESULTS = ("killed", "time", "survived", "equivalent", "taken back", "not tried")


def equivalents(text: str) -> set[str]:
    """The names in the file of equivalent mutants."""
    return {line.rpartition(" | ")[0] for line in text.splitlines() if line and not line.startswith("#")}


def share(counts: Counter[str], equivalent: bool) -> str:
    """The share killed with its 95 % interval. ``equivalent``: those that no test can kill count as survivors."""
    killed = counts["killed"] + counts["time"]
    tried = killed + counts["survived"] + (counts["equivalent"] if equivalent else 0)
    band = wilson(killed, tried)
    return "-" if band is None else f"{killed} of {tried}: {killed / tried:.1%} ({band.lower:.1%} to {band.upper:.1%})"


def result_of(place: Place, verdict: Verdict | None, wrong: set[str], marked: set[str]) -> str:
    """One of ``RESULTS``. ``wrong``: tests whose kills do not count; ``marked``: names of equivalent mutants."""
    if verdict is None:
        return "not tried"
    if verdict["by"] in wrong:
        return "taken back"
    return "equivalent" if verdict["result"] == "survived" and place.name in marked else verdict["result"]


def control(killers: Sequence[str], tests: Tests, seconds: dict[str, float]) -> set[str]:
    """Those of what killed that fail without a mutant too; of a file that could not be loaded a test stands for it."""
    asked = {tests.of_file(k.removesuffix(LOADING)) if k.endswith(LOADING) else k: k for k in killers}
    wrong = set()
    while asked:
        limit = round(2 * BUILD + 10 + 5 * sum(seconds[test] for test in asked))
        (verdict,) = try_all(
            [Job(file=None, text="", function=None, tests=sorted(asked), seconds=limit)], 1, float("inf")
        )
        if verdict is None or verdict["result"] == "survived":
            break
        if verdict["by"] not in asked:
            return set(killers)
        wrong.add(asked.pop(verdict["by"]))
    return wrong


def main() -> int:
    """Draw, try, tell."""
    options = argparse.ArgumentParser(prog="python -m tests.mutants", description=(__doc__ or "").partition("\n")[0])
    options.add_argument("--sample", type=int, default=300, help="how many places (300)")
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--processes", type=int, default=2)
    options.add_argument("--minutes", type=float, default=60, help="begin no mutant later; the map takes its own time")
    options.add_argument("--budget", type=float, default=6, help="seconds of CPU of the tests of one mutant (6)")
    options.add_argument("--map", type=Path, required=True, help="folder of the map; what is not up to date is made")
    options.add_argument("--rooms", nargs="+", choices=ROOMS, default=ROOMS, help="where to draw from (all)")
    options.add_argument("--tests", nargs="+", default=TESTED, help="folders of tests that are asked")
    given = options.parse_args()
    began = time.monotonic()
    covered = make(given.map, given.tests, given.processes)
    mapped = time.monotonic()
    tests = Tests(covered, ROOT)
    every = every_place(ROOT, given.rooms)
    run = {place.key: tests.run(place) for place in every}
    drawn = sample([place for place in every if run[place.key]], given.sample, given.seed)
    jobs = jobs_of(drawn, tests, covered.seconds, given.budget)
    until = time.monotonic() + 60 * given.minutes
    files = sorted({test.partition("::")[0] for job in jobs if job["function"] for test in job["tests"]})
    if any(test in covered.reviewing for job in jobs if job["function"] for test in job["tests"]):
        files.append(PIPELINE)
    verdicts = try_all(jobs, given.processes, until, files)
    tried = time.monotonic()
    killers = sorted({v["by"] for v in verdicts if v is not None and v["by"].startswith("tests/")})
    wrong = control(killers, tests, covered.seconds)
    marked = equivalents(EQUIVALENT.read_text("utf-8"))
    results = [result_of(place, verdict, wrong, marked) for place, verdict in zip(drawn, verdicts, strict=True)]
    cpu = sum(v["seconds"] for v in verdicts if v is not None)
    print(
        f"Sample {given.sample}, seed {given.seed}, {len(covered.seconds)} tests in the map, budget {given.budget:g} s."
    )
    print(
        f"Map {mapped - began:.0f} s, mutants {tried - mapped:.0f} s on {given.processes} processes, {cpu:.0f} s of CPU."
    )
    print(f"Without a mutant {len(wrong)} of the {len(killers)} tests that killed fail. {' '.join(sorted(wrong))}\n")
    print("\n".join(table(given.rooms, drawn, results, run)))
    told = [row(place, result) for place, result in zip(drawn, results, strict=True) if result in RESULTS[1:5]]
    print("\n".join(["", *sorted(told)]))
    return 1 if wrong else 0


def table(
    rooms: Sequence[str], drawn: Sequence[Place], results: Sequence[str], run: dict[tuple[str, int, str], bool]
) -> list[str]:
    """One row a room and one for all. ``run``: of every place, whether a test runs it."""
    titles = ["room", *RESULTS, "share killed", "with equivalent ones", "places", "run by no test"]
    out = [titles, ["---"] * len(titles)]
    for title, chosen in (*((room, (room,)) for room in rooms), ("all", rooms)):
        counts = Counter(result for place, result in zip(drawn, results, strict=True) if place.room in chosen)
        there = [is_run for (file, _, _), is_run in run.items() if file.split("/")[1] in chosen]
        numbers = [str(counts[result]) for result in RESULTS]
        shares = [share(counts, equivalent) for equivalent in (False, True)]
        out.append([title, *numbers, *shares, str(len(there)), str(there.count(False))])
    return [f"| {' | '.join(cells)} |" for cells in out]


def row(place: Place, result: str) -> str:
    """A line on one mutant."""
    m = place.mutant
    return f"- {result}: `{place.file}:{m.lines[0]}` in `{m.within}`, {m.operator}: `{m.before}` -> `{m.after}`"


if __name__ == "__main__":
    sys.exit(main())
