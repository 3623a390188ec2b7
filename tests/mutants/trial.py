"""Tries mutants in a copy of the tree, whose root is the current folder: ``python -m tests.mutants.trial [FILE...]``.

Reads one job a line (``Job`` as JSON) and writes one ``Verdict`` a line. Each job runs in a fork of its own. Without files
only the libraries are loaded before, and each job loads the changed service anew. With test files these are loaded, and
the pipeline is built, before; then each job exchanges one function, of which nothing has run.
"""

from __future__ import annotations

import contextlib
import gc
import importlib
import json
import os
import resource
import signal
import sys
import time
import traceback
from pathlib import Path
from types import CodeType, FunctionType
from typing import TypedDict

import pytest

#: Slow to load, and not ours.
LIBRARIES = ("_pytest.assertion.rewrite", "hypothesis", "lxml.etree", "marshmallow", "msgspec", "orjson", "yaml", "jinja2",
             "jsonschema", "portion", "flask", "requests", "xdist.plugin", "unittest.mock")  # fmt: skip
#: What follows the name of a file that could not be loaded.
LOADING = " (on loading)"
#: That plugins of pytest were loaded before is meant.
OPTIONS = ("-n", "0", "-W", "ignore::pytest.PytestAssertRewriteWarning")
#: Seconds of wall time for each second of CPU that a job may take.
PATIENCE = 8


#: Among the names of files: the pipeline is built before, too.
PIPELINE = "--pipeline"
#: The test files that are loaded before.
LOADED = [name for name in sys.argv[1:] if name != PIPELINE] if __name__ == "__main__" else []


class Job(TypedDict):
    """``file`` gets ``text`` while the tests run; no file for a run without a mutant. ``seconds``: CPU that it may take.

    ``function``: the one that is exchanged where all is loaded.
    """

    file: str | None
    text: str
    function: str | None
    tests: list[str]
    seconds: int


class Verdict(TypedDict):
    """``result``: survived, killed or time. ``by``: the first test that failed, or what else ended the run."""

    result: str
    by: str
    seconds: float


class Chosen:
    """A plugin that runs the chosen tests in the given order and writes the first failure to ``out``."""

    def __init__(self, tests: list[str], out: int) -> None:
        self._order = {test: number for number, test in enumerate(tests)}
        self._out = out

    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        """Keep the chosen ones."""
        items[:] = sorted((i for i in items if i.nodeid in self._order), key=lambda i: self._order[i.nodeid])

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        """Tell of a test that failed."""
        if report.failed:
            os.write(self._out, f"{report.nodeid}\n".encode())

    def pytest_collectreport(self, report: pytest.CollectReport) -> None:
        """Tell of a file that could not be read."""
        if report.failed:
            os.write(self._out, f"{report.nodeid}{LOADING}\n".encode())


def attempt(job: Job) -> Verdict:
    """Run the tests of a job on the tree with its change."""
    if job["file"] is None or LOADED:
        return _run(job)
    path = Path(job["file"])
    kept, times = path.read_bytes(), path.stat()
    try:
        path.write_text(job["text"], "utf-8")
        return _run(job)
    finally:
        path.write_bytes(kept)
        os.utime(path, ns=(times.st_atime_ns, times.st_mtime_ns))


def _run(job: Job) -> Verdict:
    read, write = os.pipe()
    child = os.fork()
    if not child:
        os.close(read)
        _child(job, write)
    os.close(write)
    ends = time.monotonic() + job["seconds"] * PATIENCE
    while True:
        done, status, used = os.wait4(child, os.WNOHANG)
        if done:
            break
        if time.monotonic() > ends:
            with contextlib.suppress(ProcessLookupError):
                os.killpg(child, signal.SIGKILL)
        time.sleep(0.02)
    with os.fdopen(read, "rb") as pipe:
        os.set_blocking(pipe.fileno(), False)  # a process that a test left behind may still hold the other end
        told = (pipe.read() or b"").decode().split("\n")
    seconds = round(used.ru_utime + used.ru_stime, 1)
    if os.WIFSIGNALED(status):
        number = os.WTERMSIG(status)
        if number in (signal.SIGXCPU, signal.SIGKILL):
            return Verdict(result="time", by="", seconds=seconds)
        return Verdict(result="killed", by=signal.Signals(number).name, seconds=seconds)
    code = os.WEXITSTATUS(status)
    if code in FAULTS:
        raise RuntimeError(FAULTS[code])
    # 5: with the change no chosen test is there, so none has failed.
    if code in (0, 5):
        return Verdict(result="survived", by="", seconds=seconds)
    return Verdict(result="killed", by=told[0] or f"pytest ended with {code}", seconds=seconds)


#: Exit status of a child -> what is wrong with the trial itself.
FAULTS = {98: "the change could not be made", 99: "the tests ran on a service that is not the copy"}


def _child(job: Job, out: int) -> None:
    status, told = 98, os.dup(2)
    try:
        os.setpgid(0, 0)
        resource.setrlimit(resource.RLIMIT_CPU, (job["seconds"], job["seconds"] + 5))
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
        null = os.open(os.devnull, os.O_RDWR)
        for stream in (0, 1, 2):
            os.dup2(null, stream)
        sys.dont_write_bytecode = True
        if LOADED and job["function"] is not None:
            _exchange(job)
        files = list(dict.fromkeys(test.partition("::")[0] for test in job["tests"]))
        status = int(pytest.main([*files, *OPTIONS, "-x", "-q", "--tb=no"], plugins=[Chosen(job["tests"], out)]))
        service = sys.modules.get("service")
        if service is not None and not str(service.__file__).startswith(os.getcwd()):
            status = 99
    except BaseException:  # noqa: BLE001 - the fork must not go on as its parent
        os.write(told, traceback.format_exc().encode())
    finally:
        os._exit(status)


def _exchange(job: Job) -> None:
    """Give a function the code that it has in the changed module."""
    codes = [compile(job["text"], job["file"] or "", "exec")]
    for code in codes:
        codes += [inner for inner in code.co_consts if isinstance(inner, CodeType)]
    (new,) = [code for code in codes if code.co_qualname == job["function"]]
    old = [
        each for each in gc.get_objects()
        if type(each) is FunctionType
        and each.__code__.co_qualname == job["function"]
        and each.__code__.co_filename == str(Path(job["file"] or "").resolve())
    ]  # fmt: skip
    if len({each.__code__ for each in old}) != 1:
        raise RuntimeError(f"{job['function']} is not one function")
    for each in old:
        each.__code__ = new


def main() -> None:
    """Answer jobs until there are no more."""
    for name in LIBRARIES:
        importlib.import_module(name)
    if LOADED:
        with contextlib.redirect_stdout(sys.stderr):
            pytest.main([*LOADED, *OPTIONS, "--collect-only", "-qq"])
        if PIPELINE in sys.argv:
            importlib.import_module("tests.support.pipeline").pipeline()
            importlib.import_module("tests.support.episodes").narrative_reader()
    for line in sys.stdin:
        print(json.dumps(attempt(json.loads(line))), flush=True)


if __name__ == "__main__":
    main()
