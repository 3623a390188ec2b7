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
from pathlib import Path

from .coverage_map import ROOT
from .trial import Job, Verdict


def try_all(jobs: Sequence[Job], processes: int, until: float, loaded: Sequence[str] = ()) -> list[Verdict | None]:
    """The verdict on each job; None where the time was over. Each process works in a copy of its own.

    ``loaded``: the test files that are loaded before, where jobs exchange a function.
    """
    verdicts: list[Verdict | None] = [None] * len(jobs)
    left = iter(range(len(jobs)))
    lock = threading.Lock()
    failures: list[Exception] = []

    def work() -> None:
        with tempfile.TemporaryDirectory() as folder:
            copy = Path(folder, "tree")
            ignored = shutil.ignore_patterns(".git", ".*_cache", ".hypothesis")
            shutil.copytree(ROOT, copy, ignore=ignored)
            environment = os.environ | {"TMPDIR": folder, "RESTRAINT_REVIEW_SHARED": _shared()}
            command = [sys.executable, "-m", "tests.mutants.trial", *loaded]
            with subprocess.Popen(
                command, cwd=copy, env=environment, text=True, stdin=subprocess.PIPE, stdout=subprocess.PIPE
            ) as trial:
                assert trial.stdin is not None and trial.stdout is not None
                while time.monotonic() < until:
                    with lock:
                        number = next(left, None)
                    if number is None:
                        break
                    trial.stdin.write(json.dumps(jobs[number]) + "\n")
                    trial.stdin.flush()
                    verdicts[number] = json.loads(trial.stdout.readline())
                    done = sum(verdict is not None for verdict in verdicts)
                    print(f"\r{done} of {len(jobs)}", end="", file=sys.stderr, flush=True)
                trial.stdin.close()

    def watched() -> None:
        try:
            work()
        except Exception as error:  # noqa: BLE001 - raised below, where it is seen
            failures.append(error)

    threads = [threading.Thread(target=watched) for _ in range(processes)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    if failures:
        raise failures[0]
    return verdicts


def _shared() -> str:
    """The folder of files of the standards, which lies beside the repository and not beside a copy."""
    return os.environ.get("RESTRAINT_REVIEW_SHARED", str(ROOT.parent / "shared"))
