"""The same jobs on a cluster of two processes: the same bytes, also when one of them is killed on the way."""

from __future__ import annotations

import csv
import json
import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from service.batch import jobs, measures, runner
from service.batch.definitions import measures_of
from service.batch.folder import Folder, digest
from service.batch.store import store_of
from service.batch.tally import Tally
from service.pipeline import Pipeline
from service.review.build import Wanted
from tests.batch.made import some, write
from tests.support.batch import measured_lines

distributed = pytest.importorskip("distributed", reason="dask.distributed is not installed (the extra dask)")

from service.batch.dask_runner import Cluster  # noqa: E402 - after the skip

# The cluster's own threads and sockets are let go when the interpreter likes; that is no fault of ours.
pytestmark = pytest.mark.filterwarnings("ignore::ResourceWarning", "ignore::pytest.PytestUnraisableExceptionWarning")

NAMES = ("exemplary", "lean-sender", "night-two-crew-late-sedation")


class Silent:
    """Progress that nobody looks at."""

    def begin(self, lines: int) -> None:
        """So many."""

    def step(self, lines: int, *, reused: bool) -> None:
        """So many more."""


@pytest.fixture(scope="module")
def given(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write(tmp_path_factory.mktemp("given") / "year.ndjson", some(100, NAMES, bad_every=25))


@pytest.fixture(scope="module")
def unbroken(given: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("single") / "out"
    done = subprocess.run(
        [sys.executable, "-m", "service.cli", "batch", str(given), "--output", str(out), "--processes", "1"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 1, done.stderr
    return out


@pytest.fixture(scope="module")
def cluster() -> Iterator[object]:
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, host="127.0.0.1", dashboard_address=None, silence_logs=50
    ) as made:
        yield made


def contents(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()}


@pytest.mark.parametrize("killed", [False, True])
def test_files_behind_an_url_are_the_same_when_joined(
    cluster: object, given: Path, unbroken: Path, tmp_path: Path, killed: bool
) -> None:
    """``file://`` goes the way of every URL: parts stay where they are, and the summary lists them in order."""
    folder = f"file://{tmp_path}"
    rules = jobs.Rules.of(None, None, "default")
    into = Folder(folder, dict(rules.versions), explain=False)
    into.prepare(["year.ndjson"])
    job = jobs.Reviews(rules, Wanted(), into.parts, ("year.ndjson",))
    made: list[tuple[str, str]] = []
    totals = runner.Totals()
    with distributed.Client(cluster) as client:
        for number, (block, done) in enumerate(runner.run(job, [f"file://{given}"], Cluster(client), Silent(), 50_000)):
            made.append(("year.ndjson", done.part))
            totals.add(done, block.path)
            if killed and number == 3:
                os.kill(next(iter(cluster.workers.values())).pid, signal.SIGKILL)  # type: ignore[attr-defined]
    assert len(made) > 20
    assert (totals.lines, totals.rejected) == (100, 2)
    counts = dict.fromkeys(("read", "reviewed", "rejected", "not_evaluated"), 0)
    into.add([{"file": "year.ndjson", "sha256": digest(f"file://{given}"), **counts}], made)
    listed = [entry["part"] for entry in json.loads((tmp_path / "summary.json").read_bytes())["parts"]]
    joined = b"".join((tmp_path / "parts" / f"{part}.ndjson").read_bytes() for part in listed)
    assert joined == (unbroken / "year.ndjson.reviews.ndjson").read_bytes()
    assert not list(tmp_path.rglob("*.partial")) or killed
    again = Folder(folder, dict(rules.versions), explain=False)
    assert again.fresh([f"file://{given}"], ("year.ndjson",)) == []
    kept = [row["line"] for row in again.episodes()]
    assert kept == [
        row["line"] for row in csv.DictReader((unbroken / "episodes.csv").open(encoding="utf-8-sig", newline=""))
    ]


def test_the_command_gives_a_cluster_the_work(cluster: object, given: Path, unbroken: Path, tmp_path: Path) -> None:
    address = cluster.scheduler_address  # type: ignore[attr-defined]
    shutil.copy(given, tmp_path)
    command = [sys.executable, "-m", "service.cli", "batch", "year.ndjson", "--output", "out", "--scheduler", address]
    root = str(Path(__file__).parents[2])
    done = subprocess.run(
        command, capture_output=True, text=True, check=False, cwd=tmp_path, env=os.environ | {"PYTHONPATH": root}
    )
    assert done.returncode == 1, done.stderr
    assert contents(tmp_path / "out") == contents(unbroken)


def test_measures_are_the_same(cluster: object, given: Path, pipeline: Pipeline) -> None:
    rules = jobs.Rules.of(None, None, "default")
    wanted = measures_of(pipeline.rulebook)
    tally = Tally(wanted)
    with distributed.Client(cluster) as client:
        for _, done in runner.run(jobs.Measures(rules, "month"), [str(given)], Cluster(client), Silent(), 50_000):
            tally.merge(done.tally)
    single = measured_lines(pipeline, given.read_bytes().splitlines())
    assert measures.document(tally, wanted, dict(rules.versions), measures.Look()) == single


def test_a_worker_with_other_rules_is_refused(cluster: object, given: Path) -> None:
    rules = jobs.Rules(None, None, "default", (("ruleset", "other"),))
    with distributed.Client(cluster) as client, pytest.raises(jobs.DifferentRules):
        list(runner.run(jobs.Measures(rules, "month"), [str(given)], Cluster(client), Silent()))


def test_a_file_is_whole_or_not_there(tmp_path: Path) -> None:
    for folder in (str(tmp_path / "a"), f"file://{tmp_path}/b"):
        store = store_of(folder)
        store.folder(folder)
        with pytest.raises(ZeroDivisionError), store.write(f"{folder}/x") as stream:
            stream.write(b"half")
            raise ZeroDivisionError
        assert not store.exists(f"{folder}/x")
        with store.write(f"{folder}/x") as stream:
            stream.write(b"whole")
        assert store.size(f"{folder}/x") == 5
        with store.open(f"{folder}/x") as stream:
            assert stream.read() == b"whole"
