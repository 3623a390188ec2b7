"""A plugin for pytest that records which test runs which line: ``-p tests.mutants.recording``, with ``MUTANTS_MAP`` set.

Each process writes two files into that folder: the lines, as coverage keeps them, with the test as context; and for each
test its seconds of CPU and whether it passed. A test that works for longer than ``MOST`` is ended: it is too slow to try
mutants with.
"""

from __future__ import annotations

import json
import os
import signal
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import coverage
import pytest

#: Seconds of CPU, with the cost of recording.
MOST = 12
#: The context of lines that run while the pipeline is built.
BUILDING = "building"
#: What the context of lines begins with that run while a file of tests is loaded.
LOADING = "loading "
FOLDER = os.environ.get("MUTANTS_MAP", "")
NAME = f"{os.environ.get('PYTEST_XDIST_WORKER', 'all')}-{os.getpid()}"

_now = [""]
_tests: dict[str, tuple[float, bool]] = {}
_coverage = coverage.Coverage(
    data_file=str(Path(FOLDER, f"{NAME}.lines")), config_file=False, include=["service/*"], messages=False
)
# From the first import on: what runs before a test has a name of its own, the empty one.
_coverage.start()


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report(collector: pytest.Collector) -> Iterator[None]:
    """What runs while a file of tests is loaded has its name, and its time is kept like that of a test."""
    if not isinstance(collector, pytest.Module):
        return (yield)
    name, before = f"{LOADING}{collector.nodeid}", sum(os.times()[:4])
    _coverage.switch_context(name)
    try:
        return (yield)
    finally:
        _tests[name] = (round(sum(os.times()[:4]) - before, 4), True)
        _coverage.switch_context("")


def pytest_collection_finish() -> None:
    """Give the building of a pipeline a name of its own: this is no work of the test that happens to need it first."""
    from service.pipeline import Pipeline

    real = Pipeline.build

    def build(*given: Any, **named: Any) -> Pipeline:
        left, _ = signal.setitimer(signal.ITIMER_PROF, 0)
        _coverage.switch_context(BUILDING)
        try:
            return real(*given, **named)
        finally:
            _coverage.switch_context(_now[-1])
            signal.setitimer(signal.ITIMER_PROF, left)

    Pipeline.build = build  # type: ignore[method-assign]


def pytest_sessionfinish() -> None:
    """Write both files."""
    _coverage.stop()
    if _tests:
        _coverage.save()
        Path(FOLDER, f"{NAME}.tests").write_text(json.dumps(_tests), "utf-8")


@pytest.hookimpl(wrapper=True)
def pytest_runtest_protocol(item: pytest.Item) -> Iterator[None]:
    """Lines that run from here on belong to this test."""
    _coverage.switch_context(item.nodeid)
    _now.append(item.nodeid)
    before = sum(os.times()[:4])
    _tests[item.nodeid] = (0.0, True)
    try:
        return (yield)
    finally:
        _tests[item.nodeid] = (round(sum(os.times()[:4]) - before, 4), _tests[item.nodeid][1])
        _coverage.switch_context("")


@pytest.hookimpl(wrapper=True)
def pytest_runtest_call() -> Iterator[None]:
    """End the test when its time is over. What it shares with others was made before."""
    signal.signal(signal.SIGPROF, _end)
    signal.setitimer(signal.ITIMER_PROF, MOST)
    try:
        return (yield)
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)


def _end(*_: object) -> None:
    pytest.fail("too slow to try mutants with", pytrace=False)


def pytest_runtest_logreport(report: pytest.TestReport) -> None:
    """A test that failed or was skipped can kill nothing."""
    if not report.passed and report.nodeid in _tests:
        _tests[report.nodeid] = (0.0, False)
