"""Runs jobs in processes of their own, each in a copy of the tree."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from pathlib import Path

from .coverage_map import ROOT
from .trial import Job, Verdict


class Copy:
    """A copy of the tree and what tries in it: one that loads the service anew for each job, one that has it loaded."""

    def __init__(self, open_: ExitStack, loaded: Sequence[str]) -> None:
        self._open, self._loaded = open_, loaded
        self._folder = open_.enter_context(tempfile.TemporaryDirectory())
        self._tree = Path(self._folder, "tree")
        shutil.copytree(ROOT, self._tree, ignore=shutil.ignore_patterns(".git", ".*_cache", ".hypothesis"))
        self._trials: dict[bool, subprocess.Popen[str]] = {}

    def attempt(self, job: Job) -> Verdict:
        """The verdict on a job."""
        exchange = job["function"] is not None
        if exchange not in self._trials:
            command = [sys.executable, "-m", "tests.mutants.trial", *(self._loaded if exchange else ())]
            # Files of the standards lie beside the repository, and not beside a copy.
            shared = os.environ.get("RESTRAINT_REVIEW_SHARED", str(ROOT.parent / "shared"))
            environment = os.environ | {"TMPDIR": self._folder, "RESTRAINT_REVIEW_SHARED": shared}
            self._trials[exchange] = self._open.enter_context(
                subprocess.Popen(
                    command, cwd=self._tree, env=environment, text=True, stdin=subprocess.PIPE, stdout=subprocess.PIPE
                )
            )
        trial = self._trials[exchange]
        assert trial.stdin is not None and trial.stdout is not None
        trial.stdin.write(json.dumps(job) + "\n")
        trial.stdin.flush()
        return Verdict(**json.loads(trial.stdout.readline()))


def try_all(
    jobs: Sequence[Job], processes: int = 1, until: float = float("inf"), loaded: Sequence[str] = ()
) -> list[Verdict | None]:
    """The verdict on each job, begun in their order; None where the time (of ``time.monotonic``) was over.

    ``loaded``: the test files that are loaded before, where jobs exchange a function.
    """
    verdicts: list[Verdict | None] = [None] * len(jobs)
    left = iter(range(len(jobs)))
    lock = threading.Lock()

    def work(_: int) -> None:
        with ExitStack() as open_:
            copy = Copy(open_, loaded)
            while time.monotonic() < until:
                with lock:
                    number = next(left, None)
                if number is None:
                    break
                verdicts[number] = copy.attempt(jobs[number])
                done = sum(verdict is not None for verdict in verdicts)
                print(f"{done} of {len(jobs)}", file=sys.stderr, flush=True)

    with ThreadPoolExecutor(processes) as pool:
        list(pool.map(work, range(processes)))
    return verdicts
