"""Which tests run which lines of the service, kept in a folder: made once, and for test files that changed made again."""

from __future__ import annotations

import functools
import hashlib
import json
import os
import sqlite3
import subprocess
import sys
from collections.abc import Iterable
from pathlib import Path

from coverage import CoverageData
from coverage.numbits import numbits_to_nums, register_sqlite_functions

from .recording import BUILDING, LOADING

ROOT = Path(__file__).resolve().parents[2]
#: Seconds of CPU from which on a file of tests is too slow to load for each mutant.
SLOW_TO_LOAD = 4
#: How many tests that need the pipeline stand for what runs only while it is built.
_OF_BUILDING = 5


class CoverageMap:
    """The map in a folder. ``seconds``: CPU of each test that passed."""

    def __init__(self, folder: Path) -> None:
        self._connection = sqlite3.connect(folder / "lines")
        register_sqlite_functions(self._connection)
        every: dict[str, float] = json.loads((folder / "tests").read_text("utf-8"))
        slow = {
            name.removeprefix(LOADING) for name, seconds in every.items() if seconds > SLOW_TO_LOAD and LOADING in name
        }
        self.seconds = {
            test: seconds
            for test, seconds in every.items()
            if not test.startswith(LOADING) and test.partition("::")[0] not in slow
        }
        files = {test.partition("::")[0] for test in self.seconds}
        self._before = {"", BUILDING, *(f"{LOADING}{file}" for file in files)}
        self._files = {
            str(Path(path).relative_to(ROOT)): number
            for number, path in self._connection.execute("SELECT id, path FROM file")
        }

    def tests(self, file: str, lines: tuple[int, int] | None = None) -> set[str]:
        """The tests that run something between two lines of a file; without lines, anything of it."""
        found = self._contexts(file, lines)
        if BUILDING in found:
            found |= set(self.reviewing[:_OF_BUILDING])
        return found & self.seconds.keys()

    def _contexts(self, file: str, lines: tuple[int, int] | None = None) -> set[str]:
        """The same, with what runs outside of tests too."""
        if file not in self._files:
            return set()
        wanted = (
            "1"
            if lines is None
            else " OR ".join(f"num_in_numbits({n}, numbits)" for n in range(lines[0], lines[1] + 1))
        )
        found = self._connection.execute(
            f"SELECT context.context FROM line_bits JOIN context ON context.id = context_id WHERE file_id = ? AND ({wanted})",
            (self._files[file],),
        )
        return {context for (context,) in found}

    def lines(self, file: str) -> set[int]:
        """The lines of a file that any test runs."""
        return set().union(
            *(lines for context, lines in self._lines(file) if context in self.seconds or context == BUILDING)
        )

    def before(self, file: str) -> set[int]:
        """The lines of a file that run before the tests: on loading, while they are collected, to build the pipeline."""
        return set().union(*(lines for context, lines in self._lines(file) if context in self._before))

    @functools.cache
    def _lines(self, file: str) -> list[tuple[str, set[int]]]:
        found = self._connection.execute(
            "SELECT context.context, numbits FROM line_bits JOIN context ON context.id = context_id WHERE file_id = ?",
            (self._files.get(file),),
        )
        return [(context, set(numbits_to_nums(bits))) for context, bits in found]

    @functools.cached_property
    def reviewing(self) -> list[str]:
        """The tests that need the whole pipeline, the quickest first."""
        found = self._contexts("service/pipeline.py") & self.seconds.keys()
        return sorted(found, key=lambda test: (self.seconds[test], test))


def make(folder: Path, rooms: Iterable[str], processes: int) -> CoverageMap:
    """The map of the tests in some rooms of ``tests``, of which only what has changed is run."""
    folder.mkdir(parents=True, exist_ok=True)
    state = folder / "state"
    service = _digest(sorted((ROOT / "service").rglob("*.py")))
    old = json.loads(state.read_text("utf-8")) if state.exists() else {}
    if old.get("service") != service:
        old = {"service": service, "files": {}}
        for name in ("lines", "tests"):
            (folder / name).unlink(missing_ok=True)
    files = {
        str(path.relative_to(ROOT)): _digest([path])
        for room in rooms
        for path in sorted((ROOT / "tests" / room).rglob("test_*.py"))
    }
    changed = [name for name, digest in files.items() if old["files"].get(name) != digest]
    if changed:
        _record(folder, changed, processes)
        state.write_text(json.dumps({"service": service, "files": old["files"] | files}), "utf-8")
    return CoverageMap(folder)


def _record(folder: Path, files: list[str], processes: int) -> None:
    for left in (*folder.glob("*.lines"), *folder.glob("*.tests")):
        left.unlink()
    command = [
        sys.executable,
        "-m",
        "pytest",
        "-n",
        str(processes),
        "-q",
        "--tb=no",
        "-m",
        "not live",
        "-p",
        "tests.mutants.recording",
    ]
    subprocess.run([*command, *files], cwd=ROOT, env=os.environ | {"MUTANTS_MAP": str(folder)}, check=False)
    tests = folder / "tests"
    seconds = json.loads(tests.read_text("utf-8")) if tests.exists() else {}
    again = set(files)
    seconds = {
        test: value for test, value in seconds.items() if test.partition("::")[0].removeprefix(LOADING) not in again
    }
    data = CoverageData(str(folder / "lines"))
    if (folder / "lines").exists():
        data.read()
    for part in folder.glob("*.tests"):
        seconds |= {test: value for test, (value, passed) in json.loads(part.read_text("utf-8")).items() if passed}
    for part in folder.glob("*.lines"):
        more = CoverageData(str(part))
        more.read()
        data.update(more)
        more.close()
        part.unlink()
    data.close()
    tests.write_text(json.dumps(seconds), "utf-8")


def _digest(paths: Iterable[Path]) -> str:
    found = hashlib.sha256()
    for path in paths:
        found.update(path.read_bytes())
    return found.hexdigest()
