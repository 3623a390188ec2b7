"""Counts and times for Prometheus, the same from whichever worker is asked.

Workers share their numbers through files in memory (``share`` says where);
without that, as in tests, the numbers are those of this process. Labels are
words from closed sets of our own: route templates, codes, rule ids.

A review has hundreds of outcomes of rules, so these are added up in the process
and passed on once a second: a worker that is killed loses a second of them.
"""

from __future__ import annotations

import atexit
import os
import threading
import time
from collections import Counter as Tally
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Literal

import prometheus_client as prometheus
from prometheus_client import multiprocess, values

MEDIA_TYPE = prometheus.CONTENT_TYPE_PLAIN_0_0_4

_PREFIX = "restraint_review"
_SECONDS = (0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0, 10.0)
_BYTES = (1024.0, 4096.0, 16384.0, 65536.0, 262144.0, 1048576.0, 4194304.0, 8388608.0)
#: Environment variable from which the library takes the folder; it has no other way.
_DIRECTORY = "PROMETHEUS_MULTIPROC_DIR"
#: Kind of file -> bytes that are reserved for it; a test holds that they are enough.
RESERVED = {"counter": 1 << 20, "histogram": 1 << 18, "gauge_livemax": 1 << 16, "gauge_livesum": 1 << 16}


class _Numbers:
    """Every metric, in one registry."""

    def __init__(self) -> None:
        self.registry = prometheus.CollectorRegistry()
        self.requests = self._counter("requests", "Requests answered.", "route", "method", "status")
        self.seconds = self._histogram("request_seconds", "Time from the head of a request to its answer.", _SECONDS)
        self.bytes_in = self._histogram("request_bytes", "Announced size of request bodies.", _BYTES)
        self.bytes_out = self._histogram("response_bytes", "Size of answers.", _BYTES)
        self.refused = self._counter("refused", "Requests answered with a problem, by its code.", "code")
        self.outcomes = self._counter("rule_outcomes", "Outcomes of rules.", "rule", "outcome")
        self.disagreements = self._counter("disagreements", "Rules on which the two deciders disagreed.", "rule")
        self.ended = self._counter("workers_ended", "Worker processes that ended, by how.", "how")
        self.feedback = self._counter("feedback", "Answers to cards, by outcome and reason.", "outcome", "reason")
        self.bad_http = self._counter("bad_http", "Requests that the HTTP server refused by itself.")
        self.lines_dropped = self._counter("log_lines_dropped", "Log lines lost because nobody read them in time.")
        self.files_not_read = self._counter(
            "access_files_not_read", "Times that the file of clients or the key set could not be read again.", "setting"
        )
        self.info = self._gauge(
            "info",
            "What runs: 1 for each build, rulebook and profile.",
            "livemax",
            "version", "ruleset", "ruleset_digest", "profile", "profile_digest",
        )  # fmt: skip
        self.ready = self._gauge("workers_ready", "Workers that review.", "livesum")

    def _counter(self, name: str, says: str, *labels: str) -> prometheus.Counter:
        return prometheus.Counter(name, says, labels, namespace=_PREFIX, registry=self.registry)

    def _histogram(self, name: str, says: str, buckets: tuple[float, ...]) -> prometheus.Histogram:
        return prometheus.Histogram(name, says, ("route",), namespace=_PREFIX, registry=self.registry, buckets=buckets)

    def _gauge(self, name: str, says: str, mode: Literal["livemax", "livesum"], *labels: str) -> prometheus.Gauge:
        return prometheus.Gauge(name, says, labels, namespace=_PREFIX, registry=self.registry, multiprocess_mode=mode)


class _Shared:
    """Where this process and its workers keep their numbers. ``slot``: the name under which it writes."""

    folder: Path | None = None
    slot = "master"


_shared = _Shared()
_numbers = _Numbers()
_builds: list[tuple[str, str, str, str, str]] = []


def share(folder: Path, workers: int) -> None:
    """Keep the numbers of this process and of the workers forked from it in files of a folder, starting at 0.

    Called in the first process, before anything is counted. Raises OSError when there is no room for the files.
    """
    global _numbers
    _shared.folder = folder
    os.environ[_DIRECTORY] = str(folder)
    reserve(_shared.slot)
    # Twice as many as there are workers: at SIGHUP the new ones come before the old ones go.
    for place in range(2 * workers):
        reserve(f"worker-{place}")
    # Files are named by slot and not by process id, so that their number does not grow with workers that are replaced.
    values.ValueClass = values.MultiProcessValue(process_identifier=lambda: _shared.slot)  # type: ignore[no-untyped-call,unused-ignore]
    _numbers = _Numbers()


def take_slot(name: str) -> None:
    """Write under ``name`` from now on. A worker that replaces another takes its slot and continues its counts."""
    _shared.slot = name


def reserve(name: str) -> None:
    """Reserve room for the numbers of a slot: writing to a memory-mapped file on a full disk kills the process.

    Raises OSError when there is none.
    """
    assert _shared.folder is not None
    for kind, size in RESERVED.items():
        with (_shared.folder / f"{kind}_{name}.db").open("ab") as file:
            os.posix_fallocate(file.fileno(), 0, size)


class _Pending:
    """Outcomes of rules that are not yet in the shared numbers."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._tally: Tally[tuple[str, str]] = Tally()
        self._thread: threading.Thread | None = None

    def add(self, outcomes: Mapping[str, str]) -> None:
        with self._lock:
            self._tally.update(outcomes.items())
            if self._thread is None:
                # Started with the first review, so after the fork.
                self._thread = threading.Thread(target=self._run, name="outcomes", daemon=True)
                self._thread.start()
                atexit.register(self.pass_on)

    def pass_on(self) -> None:
        with self._lock:
            tally, self._tally = self._tally, Tally()
        for (rule, outcome), count in tally.items():
            _numbers.outcomes.labels(rule, outcome).inc(count)

    def _run(self) -> None:
        while True:
            time.sleep(1)
            self.pass_on()


_pending = _Pending()


def runs(builds: list[tuple[str, str, str, str, str]], rules: Iterable[str]) -> None:
    """What this process and those forked from it run: (version, ruleset, its digest, profile, its digest) each.

    Counts of what must never happen start at 0 here: a series that first appears as 1 does not rise, so no alert sees it.
    """
    _builds[:] = builds
    for rule in rules:
        _numbers.disagreements.labels(rule)
        _numbers.outcomes.labels(rule, "error")
    for setting in ("CLIENTS_FILE", "KEY_SET_FILE", "TLS_CERTIFICATE_FILE"):
        _numbers.files_not_read.labels(setting)
    for how in ("SIGSEGV", "SIGKILL", "SIGBUS", "SIGABRT", "exit 1"):
        _numbers.ended.labels(how)


def worker_ready() -> None:
    """This worker can review, with what ``runs`` was told."""
    for build in _builds:
        _numbers.info.labels(*build).set(1)
    _numbers.ready.set(1 if _builds else 0)


def answered(
    route: str, method: str, status: int, code: str | None, seconds: float, size_in: int | None, size_out: int | None
) -> None:
    """One request was answered."""
    _numbers.requests.labels(route, method, str(status)).inc()
    _numbers.seconds.labels(route).observe(seconds)
    if size_in:
        _numbers.bytes_in.labels(route).observe(size_in)
    if size_out is not None:
        _numbers.bytes_out.labels(route).observe(size_out)
    if code is not None:
        _numbers.refused.labels(code).inc()


def reviewed(outcomes: Mapping[str, str], disagreements: tuple[str, ...]) -> None:
    """One review was made: rule -> outcome, and the rules on which the deciders disagreed."""
    _pending.add(outcomes)
    for rule in disagreements:
        _numbers.disagreements.labels(rule).inc()


def fed_back(accepted: int, overridden: int, reasons: Mapping[str, int]) -> None:
    """Feedback on cards: how many were accepted and overridden, and how often each reason (our own code) was given."""
    _numbers.feedback.labels("accepted", "").inc(accepted)
    for reason, count in reasons.items():
        _numbers.feedback.labels("overridden", reason).inc(count)
    _numbers.feedback.labels("overridden", "").inc(overridden - sum(reasons.values()))


def bad_http() -> None:
    """The server refused a request that is not HTTP, or that it does not take."""
    _numbers.bad_http.inc()


def line_dropped() -> None:
    """A log line was lost."""
    _numbers.lines_dropped.inc()


def file_not_read(setting: str) -> None:
    """A file that says who may call could not be read again."""
    _numbers.files_not_read.labels(setting).inc()


def worker_ended(how: str) -> None:
    """A worker has ended unasked; ``how``: ``exit 1``, or the name of a signal. Called in the first process."""
    _numbers.ended.labels(how).inc()


def worker_gone(slot: str) -> None:
    """A worker is gone: its gauges (that it is ready) no longer count. Called in the first process."""
    multiprocess.mark_process_dead(slot)  # type: ignore[no-untyped-call,unused-ignore]


def exposition() -> bytes:
    """All numbers of all workers in the text format of Prometheus."""
    _pending.pass_on()
    if _shared.folder is None:
        return prometheus.generate_latest(_numbers.registry)
    registry = prometheus.CollectorRegistry()
    multiprocess.MultiProcessCollector(registry)  # type: ignore[no-untyped-call,unused-ignore]
    return prometheus.generate_latest(registry)
