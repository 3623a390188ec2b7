"""What is tried: the places of the rooms, a sample of them by seed, and for each place the tests that are asked."""

from __future__ import annotations

import ast
import itertools
import random
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from .coverage_map import CoverageMap
from .places import Mutant, mutants
from .trial import Job

#: Room -> the files of tests that read its source and its tables.
READERS = {
    "facts": ("tests/facts/test_words_of_tables.py",),
    "formats": ("tests/formats/test_codes.py", "tests/formats/test_lists.py"),
}
#: Seconds of CPU that building the pipeline takes, once in a run that needs it.
BUILD = 12


@dataclass(frozen=True, slots=True)
class Place:
    """A mutant and the file that it is in."""

    file: str
    mutant: Mutant

    @property
    def room(self) -> str:
        """The room of the file."""
        return self.file.split("/")[1]

    @property
    def key(self) -> tuple[str, int, str]:
        """What makes a place one place."""
        return self.file, self.mutant.lines[0], self.mutant.operator

    @property
    def name(self) -> str:
        """As the file of equivalent mutants names it, without the reason."""
        m = self.mutant
        return f"{self.file} | {m.within} | {m.operator} | {m.before} -> {m.after}"


class Tests:
    """Which tests are tried on a place."""

    def __init__(self, covered: CoverageMap, root: Path) -> None:
        self._map = covered
        self._importers = _importers(root)
        self._by_file: dict[str, list[str]] = defaultdict(list)
        for test in sorted(covered.seconds, key=lambda t: (covered.seconds[t], t)):
            self._by_file[test.partition("::")[0]].append(test)
        self._reviewing = set(covered.reviewing)

    def run(self, place: Place) -> bool:
        """Whether any test runs a place."""
        mutant, file = place.mutant, place.file
        if mutant.at_import:
            return any(self._map.lines(each) for each in (file, *self._importers[file]))
        lines = self._map.lines(file)
        return any(n in lines for low, high in (mutant.lines, mutant.statement) for n in range(low, high + 1))

    def loaded(self, place: Place) -> str | None:
        """The function that can be exchanged in a process that has loaded and built everything: none of it ran before."""
        if place.mutant.function is None:
            return None
        name, low, high = place.mutant.function
        return None if self._map.before(place.file) & set(range(low, high + 1)) else name

    def running(self, place: Place) -> set[str]:
        """Every test that runs a place."""
        mutant, file = place.mutant, place.file
        if not mutant.at_import:
            return self._map.tests(file, mutant.lines) or self._map.tests(file, mutant.statement)
        found = self._map.tests(file)
        return found or set().union(*(self._map.tests(other) for other in self._importers[file]))

    def chosen(self, place: Place, budget: float) -> list[str]:
        """Those that are tried, in order: what needs no pipeline first, then file by file."""
        running = self.running(place)
        mirrored = f"tests/{place.room}/"
        most = sorted(running, key=self._most_around(place))
        first = [
            *_in_budget(most, self._map.seconds, budget),
            *_in_budget(self._in_turn(running, mirrored), self._map.seconds, budget / 2),
        ]
        files = {test.partition("::")[0] for test in first}
        mates = {test for file in files for test in self._by_file[file]} - running
        more = list(_in_budget(self._in_turn(mates, mirrored), self._map.seconds, budget / 3))
        rank = {test: number for number, test in enumerate(dict.fromkeys([*first, *more, *self._readers(place)]))}

        def order(test: str) -> tuple[bool, bool, str, int]:
            file = test.partition("::")[0]
            return test in self._reviewing, not file.startswith(mirrored), file, rank[test]

        return sorted(rank, key=order)

    def _most_around(self, place: Place) -> Callable[[str], tuple[float, float, str]]:
        """The key that sorts first who runs most of the function around a place for its time; a rare line counts more."""
        weight: dict[str, float] = defaultdict(float)
        if place.mutant.function is not None:
            _, low, high = place.mutant.function
            for line in range(low, high + 1):
                there = self._map.tests(place.file, (line, line))
                for test in there:
                    weight[test] += 1 / len(there)
        return lambda test: (-weight[test] / (self._map.seconds[test] + 0.05), self._map.seconds[test], test)

    def _readers(self, place: Place) -> list[str]:
        """The tests that read the source and the tables of a room, and run nothing of it."""
        return [test for file in READERS.get(place.room, ()) for test in self._by_file[file]]

    def of_file(self, file: str) -> str:
        """The quickest test of a file."""
        return self._by_file[file][0]

    def _in_turn(self, tests: set[str], mirrored: str) -> Iterator[str]:
        """One of each file in turn, the quickest first; first the files that mirror the room."""
        for mirror in (True, False):
            files = sorted({t.partition("::")[0] for t in tests if t.startswith(mirrored) is mirror})
            quick = [[test for test in self._by_file[file] if test in tests] for file in files]
            for turn in itertools.zip_longest(*quick):
                yield from (test for test in turn if test is not None)


def _in_budget(tests: Iterable[str], seconds: dict[str, float], budget: float) -> Iterator[str]:
    spent = 0.0
    for number, test in enumerate(tests):
        spent += seconds[test]
        if number and spent > budget:
            return
        yield test


def _importers(root: Path) -> dict[str, set[str]]:
    """File of the service -> the files that import it."""
    found: dict[str, set[str]] = defaultdict(set)
    paths = {str(path.relative_to(root)) for path in (root / "service").rglob("*.py")}
    for path in paths:
        package = path.split("/")[:-1]
        for node in ast.walk(ast.parse((root / path).read_text("utf-8"))):
            if isinstance(node, ast.ImportFrom):
                base = package[: len(package) - node.level + 1] if node.level else []
                module = [*base, *(node.module or "").split(".")]
                for target in (module, *([*module, alias.name] for alias in node.names)):
                    file = "/".join(part for part in target if part) + ".py"
                    if file in paths:
                        found[file].add(path)
    return found


def every_place(root: Path, rooms: Iterable[str]) -> list[Place]:
    """Every mutant of some rooms, in order."""
    return [
        Place(str(path.relative_to(root)), mutant)
        for room in rooms
        for path in sorted((root / "service" / room).rglob("*.py"))
        for mutant in mutants(path.read_text("utf-8"))
    ]


def sample(places: Iterable[Place], amount: int, seed: int) -> list[Place]:
    """So many places in an order of the seed, of each one mutant."""
    one: dict[tuple[str, int, str], list[Place]] = defaultdict(list)
    for place in places:
        one[place.key].append(place)
    draw = random.Random(seed)
    return [draw.choice(one[key]) for key in draw.sample(sorted(one), min(amount, len(one)))]


def jobs_of(places: Sequence[Place], tests: Tests, seconds: dict[str, float], budget: float) -> list[Job]:
    """What is to be tried."""
    jobs = []
    for place in places:
        chosen = tests.chosen(place, budget)
        limit = round(2 * BUILD + 10 + 3 * sum(seconds[test] for test in chosen))
        jobs.append(
            Job(file=place.file, text=place.mutant.text(), function=tests.loaded(place), tests=chosen, seconds=limit)
        )
    return jobs
