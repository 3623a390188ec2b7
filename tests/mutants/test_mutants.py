"""The command itself, on a made-up module: one mutant dies, one lives, one never ends."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections import Counter
from pathlib import Path

import pytest
from coverage import CoverageData

from tests.mutants.__main__ import equivalents, result_of, share, table
from tests.mutants.choosing import Place, sample
from tests.mutants.coverage_map import ROOT, CoverageMap
from tests.mutants.places import mutants
from tests.mutants.trial import Job, Verdict

MODULE = '''"""Text with 1 number."""
from dataclasses import dataclass
__all__ = ["low"]
WORDS = {"a": "two words", "b": "one"}

@dataclass(slots=True)
class Limit:
    value: int = 90

def low(value: int, above: bool = False) -> bool:
    """No place."""
    if not above and value is None:
        raise ValueError("over 9000")
    return value < 90

def count(number):
    while number > 0:
        number -= 1
    return f"{number + 1} left"
'''
TEST = """
from service.limit import count, low

def test_low():
    assert low(89) and not low(91)

def test_count():
    count(3)
"""


def found() -> dict[str, str]:
    """Where and what -> the change."""
    return {f"{m.lines[0]} {m.operator}": f"{m.before} -> {m.after}" for m in mutants(MODULE)}


def test_every_place_and_no_other() -> None:
    assert found() == {
        "4 word changed": "'one' -> 'onex'",
        "8 number raised": "90 -> 91",
        "10 default changed": "False -> True",
        "12 condition negated": "not above and value is None -> not (not above and value is None)",
        "12 and, or swapped": "not above and value is None -> not above or value is None",
        "12 not dropped": "not above -> above",
        "12 comparison turned": "value is None -> value is not None",
        "13 statement dropped": "raise ValueError('over 9000') -> pass",
        "14 return replaced": "return value < 90 -> return not value < 90",
        "14 boundary moved": "value < 90 -> value <= 90",
        "14 comparison turned": "value < 90 -> value >= 90",
        "14 number raised": "90 -> 91",
        "17 boundary moved": "number > 0 -> number >= 0",
        "17 comparison turned": "number > 0 -> number <= 0",
        "17 number raised": "0 -> 1",
        "18 statement dropped": "number -= 1 -> pass",
        "18 number raised": "1 -> 2",
        "19 return replaced": "return f'{number + 1} left' -> return None",
        "19 arithmetic swapped": "number + 1 -> number - 1",
        "19 number raised": "1 -> 2",
    }


def test_a_mutant_changes_one_place_and_leaves_the_tree_as_it_was() -> None:
    texts = [mutant.text() for mutant in mutants(MODULE)]
    assert len(set(texts)) == len(texts) == len([*mutants(MODULE)])
    every = mutants(MODULE)
    assert [mutant.text() for mutant in every] == [mutant.text() for mutant in every] == texts


def test_what_runs_on_loading_is_told_from_what_is_called() -> None:
    assert {m.lines[0]: m.at_import for m in mutants(MODULE)} == {
        4: True, 8: True, 10: True, 12: False, 13: False, 14: False, 17: False, 18: False, 19: False,
    }  # fmt: skip


@pytest.mark.parametrize("loaded", [[], ["test_limit.py"]], ids=["anew", "one function exchanged"])
def test_killed_survived_and_stopped(tmp_path: Path, loaded: list[str]) -> None:
    file, source = "service/limit.py", tmp_path / "service" / "limit.py"
    source.parent.mkdir()
    (source.parent / "__init__.py").write_text("")
    source.write_text(MODULE)
    (tmp_path / "test_limit.py").write_text(TEST)
    by = {f"{m.lines[0]} {m.operator}": m for m in mutants(MODULE)}
    tests = ["test_limit.py::test_low", "test_limit.py::test_count"]
    jobs = [Job(file=None, text="", function=None, tests=tests, seconds=4)]
    for name in ("14 comparison turned", "14 boundary moved", "18 statement dropped"):
        function = by[name].function
        assert function is not None
        jobs.append(Job(file=file, text=by[name].text(), function=function[0], tests=tests, seconds=4))
    expected = [("survived", ""), ("killed", "test_limit.py::test_low"), ("survived", ""), ("time", "")]
    if not loaded:
        jobs.append(Job(file=file, text=by["4 word changed"].text(), function=None, tests=tests, seconds=4))
        jobs.append(Job(file=file, text="1 +", function=None, tests=tests, seconds=4))
        expected += [("survived", ""), ("killed", "test_limit.py (on loading)")]
    done = subprocess.run(
        [sys.executable, "-m", "tests.mutants.trial", *loaded],
        cwd=tmp_path,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
        input="".join(json.dumps(job) + "\n" for job in jobs),
        capture_output=True,
        text=True,
        timeout=600,
    )
    assert done.returncode == 0, done.stderr
    verdicts = [json.loads(line) for line in done.stdout.splitlines()]
    assert [(each["result"], each["by"]) for each in verdicts] == expected
    assert source.read_text() == MODULE


def test_a_sample_is_the_seeds_own_and_takes_each_place_once() -> None:
    places = [Place("service/facts/x.py", mutant) for mutant in mutants(MODULE + "A = (1, 2, 3)\n")]
    drawn = sample(places, 100, 1)
    assert len({place.key for place in drawn}) == len(drawn) == len(places) - 4
    assert [place.name for place in sample(places, 5, 7)] == [place.name for place in sample(places, 5, 7)]
    assert [place.name for place in sample(places, 5, 7)] != [place.name for place in sample(places, 5, 8)]


def test_the_map_says_which_tests_run_a_line(tmp_path: Path) -> None:
    data = CoverageData(str(tmp_path / "lines"))
    for test, lines in {"a.py::one": [3, 4], "b.py::two": [4], "b.py::failed": [4], "": [1]}.items():
        data.set_context(test)
        data.add_lines({str(ROOT / "service" / "x.py"): lines})
    data.close()
    (tmp_path / "tests").write_text('{"a.py::one": 0.1, "b.py::two": 0.2}')
    covered = CoverageMap(tmp_path)
    assert covered.tests("service/x.py", (4, 4)) == covered.tests("service/x.py") == {"a.py::one", "b.py::two"}
    assert covered.tests("service/x.py", (2, 3)) == {"a.py::one"}
    assert covered.lines("service/x.py") == {3, 4}
    assert covered.tests("service/x.py", (1, 2)) == covered.tests("service/y.py") == set()


def test_shares_are_told_with_and_without_the_equivalent_ones() -> None:
    """Wilson: 9 of 10 is 59.6 % to 98.2 % (Newcombe 1998, method 3, by its formula)."""
    counts = Counter(killed=8, time=1, survived=1, equivalent=2)
    assert share(counts, equivalent=False) == "9 of 10: 90.0% (59.6% to 98.2%)"
    assert share(counts, equivalent=True).startswith("9 of 12: 75.0% ")


def test_a_kill_by_a_test_that_fails_without_a_mutant_is_taken_back_and_what_no_test_runs_is_counted() -> None:
    places = [Place("service/facts/x.py", mutant) for mutant in mutants(MODULE)][:5]
    verdicts = [
        Verdict(result="killed", by="tests/a.py::flaky", seconds=1), Verdict(result="killed", by="tests/a.py::b", seconds=1),
        Verdict(result="survived", by="", seconds=1), Verdict(result="survived", by="", seconds=1), None,
    ]  # fmt: skip
    marked = {places[3].name}
    results = [result_of(p, v, {"tests/a.py::flaky"}, marked) for p, v in zip(places, verdicts, strict=True)]
    assert results == ["taken back", "killed", "survived", "equivalent", "not tried"]
    run = {place.key: True for place in places} | {("service/facts/x.py", 99, "number raised"): False}
    row = table(["facts"], places, results, run)[2].split(" | ")
    assert row[1:7] == ["1", "0", "1", "1", "1", "1"] and row[7].startswith("1 of 2") and row[8].startswith("1 of 3")
    assert row[9:] == [str(len({p.key for p in places}) + 1), "1 |"]


@pytest.mark.parametrize("line", (Path(__file__).with_name("equivalent.txt")).read_text("utf-8").splitlines())
def test_an_equivalent_mutant_is_one_that_is_there_and_has_its_reason(line: str) -> None:
    if not line.startswith("#"):
        file, _, _, _, reason = line.split(" | ")
        assert len(reason) > 20
        places = {Place(file, mutant).name for mutant in mutants((ROOT / file).read_text("utf-8"))}
        assert equivalents(line) <= places
