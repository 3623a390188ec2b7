"""The command over files: all lines in order, constant memory, stopped and killed in the middle and gone on with."""

from __future__ import annotations

import csv
import fcntl
import io
import json
import os
import pty
import re
import signal
import stat
import struct
import subprocess
import sys
import termios
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import pytest

from service import cli
from service.batch import blocks, jobs, lines, runner
from service.batch.folder import PARTS, Folder, digest
from service.commands.exit_status import FAULTS, OK
from service.pipeline import Pipeline
from service.review.build import Wanted
from tests.batch.figures import peaks
from tests.batch.made import some, write
from tests.support import nemsis
from tests.support.batch import compared, measured_lines, review_line
from tests.support.reviews import instances
from tests.support.signals import sigint

COMMAND = [sys.executable, "-m", "service.cli"]
MIXED, BAD = 150, 3
#: Bytes of a line, filled up with blanks, which cost nothing to read: six ranges in all, of which some can be left.
WIDTH = 42_000
NAMES = ("exemplary", "lean-sender", "night-two-crew-late-sedation", "everything-wrong")


class Said(NamedTuple):
    status: int
    out: str
    err: str


@pytest.fixture
def command(capfdbinary: pytest.CaptureFixture[bytes]) -> Callable[..., Said]:
    """A command in this process, which has the rulebook already; its workers are forked from it."""

    def run(*arguments: object) -> Said:
        status = cli.main([str(argument) for argument in arguments])
        out, err = capfdbinary.readouterr()
        return Said(status, out.decode(), err.decode())

    return run


def contents(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()}


@pytest.fixture(scope="module")
def given(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("given")
    return write(folder / "year.ndjson", (line.ljust(WIDTH) for line in some(MIXED, NAMES, bad_every=25)))


@pytest.fixture(scope="module")
def unbroken(given: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    out = tmp_path_factory.mktemp("out") / "whole"
    assert cli.main(["batch", str(given), "--output", str(out)]) == FAULTS
    return contents(out)


def test_every_line_is_answered_in_order(pipeline: Pipeline, given: Path, unbroken: dict[str, bytes]) -> None:
    expected = [review_line(pipeline, line, number) for number, line in lines.split(given.read_bytes())]
    assert unbroken["year.ndjson.reviews.ndjson"].splitlines() == expected
    pages = {f"pages/year.ndjson.{number}.html" for number, line in enumerate(expected, 1) if b'"status":200' in line}
    assert {name for name in unbroken if not name.startswith("pages/")} == {
        "year.ndjson.reviews.ndjson", "episodes.csv", "findings.csv", "summary.json", "worklist.csv", "worklist.html",
    }  # fmt: skip
    assert len(pages) == len([name for name in unbroken if name.startswith("pages/")])
    assert unbroken["episodes.csv"].count(b"\r\n") == len(expected) + 1
    reviews = [json.loads(line)["review"] for line in expected if b'"status":200' in line]
    rows = Counter(row["standing"] for row in csv.DictReader(io.StringIO(unbroken["findings.csv"].decode("utf-8-sig"))))
    assert rows["unjudged"] > 0
    assert rows == {
        "stands": sum(len(instances(review)) for review in reviews),
        "unjudged": sum(len(entry["instances"]) or 1 for review in reviews for entry in review["unjudged"]),
    }
    summary = json.loads(unbroken["summary.json"])
    assert summary["lines"] == {
        "read": len(expected),
        "reviewed": len(expected) - BAD,
        "rejected": BAD,
        "not_evaluated": 0,
    }
    assert summary["versions"] == lines.versions(pipeline, "default")


def test_bad_lines_are_named_and_nothing_of_them_is_said(
    given: Path, tmp_path: Path, command: Callable[..., Said]
) -> None:
    path = tmp_path / "a.ndjson"
    path.write_bytes(b'{"episode_ref": "a"}\n\n{"episode_ref": "b", "canary": "canary"}\ncanary\n')
    done = command("batch", path, "--output", tmp_path / "out", "--processes", 1)
    assert done.status == 1
    assert f"{path}, line 3: invalid-episode" in done.err
    assert f"{path}, line 4: not-json" in done.err
    assert "3 lines: 1 reviewed, 2 could not be read, 0 not evaluated." in done.err
    assert "canary" not in done.err + done.out
    assert not any(b"canary" in content for content in contents(tmp_path / "out").values())


def test_results_are_for_their_owner_alone(tmp_path: Path, command: Callable[..., Said]) -> None:
    path = tmp_path / "a.ndjson"
    path.write_bytes(b'{"episode_ref": "a"}\n')
    assert command("batch", path, "--output", tmp_path / "out", "--processes", 1).status == 0
    modes = {stat.S_IMODE(p.stat().st_mode) & 0o077 for p in (tmp_path / "out").rglob("*")}
    assert modes == {0}
    assert stat.S_IMODE((tmp_path / "out").stat().st_mode) == 0o700


def in_the_middle(given: Path, out: Path, stop: Callable[[subprocess.Popen[str]], None]) -> tuple[int, str]:
    """Start, stop it as soon as some ranges are done; returns the exit status and what it said."""
    with sigint():
        child = subprocess.Popen(
            [*COMMAND, "batch", str(given), "--output", str(out)], stderr=subprocess.PIPE, text=True, process_group=0
        )
    deadline = time.monotonic() + 300
    while not list(out.glob(f"{PARTS}/*.done.json")) and time.monotonic() < deadline:
        assert child.poll() is None
        time.sleep(0.02)
    stop(child)
    _, said = child.communicate(timeout=60)
    return child.returncode, said


def gone_on(given: Path, out: Path, unbroken: dict[str, bytes], command: Callable[..., Said]) -> None:
    kept = {path.name: path.stat().st_mtime_ns for path in out.glob(f"{PARTS}/*.done.json")}
    assert kept
    assert not (out / "summary.json").exists()
    done = command("batch", given, "--output", out)
    assert done.status == 1
    again = re.search(r"(\d+) lines were done before", done.err)
    assert again is not None and 0 < int(again[1]) < MIXED
    assert contents(out) == unbroken


def test_killed_in_the_middle_and_gone_on_with(
    given: Path, unbroken: dict[str, bytes], tmp_path: Path, command: Callable[..., Said]
) -> None:
    out = tmp_path / "out"
    status, _ = in_the_middle(given, out, lambda child: child.kill())
    assert status == -signal.SIGKILL
    deadline = time.monotonic() + 10
    while time.monotonic() < deadline and _alive(out):
        time.sleep(0.05)
    assert not _alive(out)  # no process outlives the command
    gone_on(given, out, unbroken, command)


def _alive(out: Path) -> list[str]:
    found = []
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                if str(out).encode() in (entry / "cmdline").read_bytes():
                    found.append(entry.name)
            except OSError:
                continue
    return found


def test_stopped_by_the_keyboard_and_gone_on_with(
    given: Path, unbroken: dict[str, bytes], tmp_path: Path, command: Callable[..., Said]
) -> None:
    out = tmp_path / "out"
    # As a terminal does it: to the whole group.
    status, said = in_the_middle(given, out, lambda child: os.killpg(child.pid, signal.SIGINT))
    assert status == 130
    assert "the same command goes on from there" in said
    assert "Traceback" not in said
    gone_on(given, out, unbroken, command)


def test_a_process_that_is_lost_is_reported_and_costs_no_result(
    given: Path, unbroken: dict[str, bytes], tmp_path: Path, command: Callable[..., Said]
) -> None:
    out = tmp_path / "out"

    def stop(child: subprocess.Popen[str]) -> None:
        (tasks,) = Path(f"/proc/{child.pid}/task/{child.pid}").glob("children")
        os.kill(int(tasks.read_text().split()[0]), signal.SIGSEGV)

    status, said = in_the_middle(given, out, stop)
    assert status == 2
    assert "A process ended in the middle of its work" in said
    assert f"{given}, from line " in said
    assert "Traceback" not in said
    gone_on(given, out, unbroken, command)


def test_other_lines_or_rules_are_done_anew(given: Path, tmp_path: Path, command: Callable[..., Said]) -> None:
    path, out = tmp_path / "year.ndjson", tmp_path / "out"
    every = [line for _, line in lines.split(given.read_bytes())]
    write(path, iter(every))
    in_the_middle(path, out, lambda child: child.kill())
    write(path, iter([b'{"episode_ref": "first"}', *every]))
    done = command("batch", path, "--output", out, "--profile", "rhode-island")
    assert "done before" not in done.err
    first = (out / "year.ndjson.reviews.ndjson").read_bytes().splitlines()[0]
    assert json.loads(first)["review"]["episode_ref"] == "first"
    assert json.loads(first)["review"]["versions"]["profile"].startswith("rhode-island")
    assert not (out / PARTS).exists()


@pytest.mark.parametrize("extra", [["--processes", "1"], ["--processes", "3"]])
def test_the_number_of_processes_changes_nothing(
    given: Path, unbroken: dict[str, bytes], tmp_path: Path, extra: list[str], command: Callable[..., Said]
) -> None:
    assert command("batch", given, "--output", tmp_path / "out", *extra).status == 1
    assert contents(tmp_path / "out") == unbroken


def test_the_size_of_ranges_changes_nothing(given: Path, unbroken: dict[str, bytes], tmp_path: Path) -> None:
    from service.batch import jobs

    class Silent:
        def begin(self, lines: int) -> None:
            self.left = lines

        def step(self, lines: int, *, reused: bool) -> None:
            self.left -= lines

    class Here:
        def map(self, do, items):  # type: ignore[no-untyped-def]
            return map(do, items)

    rules = jobs.Rules.of(None, None, "default")
    into = Folder(str(tmp_path), dict(rules.versions), explain=False)
    into.prepare(["year.ndjson"])
    progress = Silent()
    made = [
        ("year.ndjson", done.part)
        for block, done in runner.run(
            jobs.Reviews(rules, Wanted(), into.parts, ("year.ndjson",), pages=into.pages),
            [str(given)],
            Here(),
            progress,
            99_991,
        )
    ]
    assert progress.left == 0
    counts = json.loads(unbroken["summary.json"])["lines"]
    into.add([{"file": "year.ndjson", "sha256": digest(str(given)), **counts}], made)
    assert contents(tmp_path) == {name: content for name, content in unbroken.items() if "worklist" not in name}


@pytest.fixture(scope="module")
def charts(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A NEMSIS document of three charts, the second without a restraint."""
    path = tmp_path_factory.mktemp("charts") / "charts.xml"
    other = nemsis.pcr(uuid="0b6c2f8e-1f43-4a7d-9f63-3b8d8b3c6d11")
    path.write_bytes(nemsis.document(nemsis.pcr(), nemsis.pcr(restraint=False), other))
    return path


def test_every_chart_of_a_document_is_a_line(
    charts: Path, given: Path, unbroken: dict[str, bytes], tmp_path: Path, command: Callable[..., Said]
) -> None:
    done = command("batch", charts, given, "--output", tmp_path / "out")
    assert done.status == FAULTS
    where = "/nem:EMSDataSet/nem:Header/nem:PatientCareReport[2]"
    assert f"charts.xml, line 2: no-restraint at {where}" in done.err
    made = contents(tmp_path / "out")
    found = [json.loads(line) for line in made["charts.xml.reviews.ndjson"].splitlines()]
    assert [(line["line"], line["status"]) for line in found] == [(1, 200), (2, 422), (3, 200)]
    assert made["year.ndjson.reviews.ndjson"] == unbroken["year.ndjson.reviews.ndjson"]
    rows = made["findings.csv"].decode().splitlines()
    assert any("charts.xml,3," in row and "nem:PatientCareReport[3]" in row for row in rows)
    assert sum(row.startswith("charts.xml,") for row in made["episodes.csv"].decode().splitlines()) == 3
    measured = json.loads(command("measures", charts).out)["lines"]
    assert (measured["read"], measured["reviewed"], measured["rejected"]) == (3, 2, 1)
    assert command("compare", charts, "--left", "default", "--right", "massachusetts-2026").status == FAULTS


def test_a_document_is_not_taken_over_from_an_earlier_try(charts: Path, pipeline: Pipeline, tmp_path: Path) -> None:
    """What a document says depends on mappings and schemas too."""
    (block,) = blocks.cut([str(charts)], 10)
    job = jobs.Reviews(jobs.Rules.of(None, None, "default"), Wanted(), str(tmp_path), ("charts.xml",))
    first, again = (job.run(blocks.Placed(block, 0)) for _ in range(2))
    assert (first.lines, first.reused, again) == (3, False, first)


def test_a_document_over_the_limit_and_one_that_cannot_be_read(
    tmp_path: Path, command: Callable[..., Said], monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "broken.xml").write_bytes(b"<EMSDataSet")
    done = command("batch", tmp_path / "broken.xml", "--output", tmp_path / "one")
    assert (done.status, "broken.xml, line 1: not-xml" in done.err) == (FAULTS, True)
    monkeypatch.setenv("RESTRAINT_REVIEW_MAX_BODY_BYTES", "1024")
    (tmp_path / "large.xml").write_bytes(nemsis.document(*[nemsis.pcr()] * 9))
    done = command("batch", tmp_path / "large.xml", "--output", tmp_path / "two")
    assert (done.status, "large.xml, line 1: body-too-large" in done.err) == (FAULTS, True)


def test_what_is_there_is_not_written_over(given: Path, tmp_path: Path, command: Callable[..., Said]) -> None:
    (tmp_path / "findings.csv").write_text("mine")
    done = command("batch", given, "--output", tmp_path)
    assert done.status == 2
    assert "findings.csv" in done.err
    assert contents(tmp_path) == {"findings.csv": b"mine"}


def test_what_cannot_be_done_is_said_in_a_line(given: Path, tmp_path: Path, command: Callable[..., Said]) -> None:
    for arguments, said in (
        (["batch", tmp_path / "none", "--output", tmp_path / "out"], "No such file"),
        (["batch", given, tmp_path / "b" / "year.ndjson", "--output", tmp_path / "out"], "same file name"),
        (["batch", given, "--output", tmp_path / "out", "--profile", "nobody"], "no profile has this id"),
        (["batch", "s3://bucket/a", "--output", tmp_path / "out"], "--scheduler"),
        (["compare", given, "--left", "default", "--right", "default"], "both sides are the same"),
        (["compare", given, "--left", "nobody", "--right", "default"], "left: no profile has this id"),
        (["compare", given, "--left", "default", "--right", "nobody"], "right: no profile has this id"),
        (["measures", given, "--profile", "nobody"], "no profile has this id"),
        (["batch", tmp_path, "--output", tmp_path / "out"], "is a folder\nName the files in it"),
    ):
        done = command(*arguments)
        assert done.status == 2, (arguments, done.err)
        assert said in done.err
        assert "Traceback" not in done.err


def test_measures_over_files(pipeline: Pipeline, tmp_path: Path, command: Callable[..., Said]) -> None:
    given = write(tmp_path / "a.ndjson", some(40, NAMES, bad_every=10))
    done = command("measures", given, "--processes", 2)
    assert done.status == FAULTS
    assert json.loads(done.out) == measured_lines(pipeline, given.read_bytes().splitlines())
    page = tmp_path / "m.html"
    assert command("measures", given, "--format", "html", "--period", "week", "--output", page).status == FAULTS
    assert page.read_bytes().startswith(b"<!DOCTYPE html>")
    assert command("measures", given, "--format", "csv").out.startswith("\ufeffscope,key,id")


def test_compare_over_files(pipeline: Pipeline, tmp_path: Path, command: Callable[..., Said]) -> None:
    given = write(tmp_path / "a.ndjson", some(24, NAMES))
    text = command("compare", given, "--left", "default", "--right", "massachusetts-2026")
    assert text.status == OK
    assert max(map(len, text.out.splitlines())) <= 80
    found = json.loads(command("compare", given, "--right", "massachusetts-2026", "--json").out)
    sides = (pipeline, "default"), (pipeline, "massachusetts-2026")
    expected = compared(*sides, given.read_bytes().splitlines())
    assert found["rules"]
    assert found["lines"] == expected["lines"]
    for rule, other in zip(found["rules"], expected["rules"], strict=True):
        assert (rule["rule"], rule["totals"], rule["outcomes"]) == (other["rule"], other["totals"], other["outcomes"])


def test_a_bar_on_a_terminal_and_nothing_elsewhere(given: Path, tmp_path: Path) -> None:
    controller, terminal_side = pty.openpty()
    fcntl.ioctl(terminal_side, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
    child = subprocess.Popen([*COMMAND, "batch", str(given), "--output", str(tmp_path / "out")], stderr=terminal_side)
    os.close(terminal_side)
    seen = b""
    try:
        while part := os.read(controller, 65536):
            seen += part
    except OSError:
        pass  # the other side of the terminal is closed
    os.close(controller)
    assert child.wait(60) == 1
    assert re.search(rb"\d+/%d \[\d\d:\d\d<\d\d:\d\d, +[\d.]+ lines/s\]" % MIXED, seen)


def test_memory_does_not_grow_with_the_number_of_episodes(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """1,000 and 5,000 lines; MiB of the largest process each, the command and its workers."""
    few, many = peaks(tmp_path, 1_000), peaks(tmp_path, 5_000)
    with capsys.disabled():
        print(f"\nbatch, peak memory: {few.text()}; {many.text()}")
    assert many.command < few.command + 7
    assert many.worker < few.worker + 7
