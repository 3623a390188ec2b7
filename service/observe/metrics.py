"""Counts and times for Prometheus, the same from whichever worker is asked.

Workers share their numbers through files in memory (``share`` says where);
without that, as in tests, the numbers are those of this process. Labels are
our own closed words only: route templates, codes, rule ids.

Outcomes of rules are hundreds a review, so they are added up in the process
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

import prometheus_client as prometheus
from prometheus_client import multiprocess, values

MEDIA_TYPE = prometheus.CONTENT_TYPE_PLAIN_0_0_4
DIRECTORY = "PROMETHEUS_MULTIPROC_DIR"

_slot = "master"
_builds: list[tuple[str, str, str, str, str]] = []


def take_slot(name: str) -> None:
    """Write as ``name`` from now on: a worker takes the place of one that has ended and counts on from there."""
    global _slot
    _slot = name


#: Kinds of files and the bytes kept for each: tests/ops/test_metrics.py holds that they are enough.
RESERVED = {"counter": 1 << 20, "histogram": 1 << 18, "gauge_livemax": 1 << 16, "gauge_livesum": 1 << 16}


def reserve(name: str) -> None:
    """Keep room for the numbers of a place, since a write to a mapped file on a full disk ends the process.

    Raises OSError when there is none.
    """
    for kind, size in RESERVED.items():
        with Path(os.environ[DIRECTORY], f"{kind}_{name}.db").open("ab") as file:
            os.posix_fallocate(file.fileno(), 0, size)


if DIRECTORY in os.environ:
    reserve(_slot)
    # Files by place and not by process id: their number stays that of the workers, however many have come and gone.
    values.ValueClass = values.MultiProcessValue(process_identifier=lambda: _slot)  # type: ignore[no-untyped-call,unused-ignore]

_registry = prometheus.CollectorRegistry()
_PREFIX = "restraint_review"


def _counter(name: str, says: str, *labels: str) -> prometheus.Counter:
    return prometheus.Counter(name, says, labels, namespace=_PREFIX, registry=_registry)


def _histogram(name: str, says: str, buckets: tuple[float, ...]) -> prometheus.Histogram:
    return prometheus.Histogram(name, says, ("route",), namespace=_PREFIX, registry=_registry, buckets=buckets)


_SECONDS = (0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0, 10.0)
_BYTES = (1024.0, 4096.0, 16384.0, 65536.0, 262144.0, 1048576.0, 4194304.0, 8388608.0)

_requests = _counter("requests", "Requests answered.", "route", "method", "status")
_seconds = _histogram("request_seconds", "Time from the head of a request to its answer.", _SECONDS)
_bytes_in = _histogram("request_bytes", "Announced size of request bodies.", _BYTES)
_bytes_out = _histogram("response_bytes", "Size of answers.", _BYTES)
_refused = _counter("refused", "Requests answered with a problem, by its code.", "code")
_outcomes = _counter("rule_outcomes", "Outcomes of rules.", "rule", "outcome")
_disagreements = _counter("disagreements", "Rules on which the two deciders disagreed.", "rule")
_ended = _counter("workers_ended", "Worker processes that ended, by how.", "how")
_feedback = _counter("feedback", "Answers to cards, by outcome and reason.", "outcome", "reason")
_bad_http = prometheus.Counter(
    "bad_http", "Requests that the HTTP server refused by itself.", namespace=_PREFIX, registry=_registry
)
_info = prometheus.Gauge(
    "info",
    "What runs: 1 for each build, rulebook and profile.",
    ("version", "ruleset", "ruleset_digest", "profile", "profile_digest"),
    namespace=_PREFIX,
    registry=_registry,
    multiprocess_mode="livemax",
)
_ready = prometheus.Gauge(
    "workers_ready", "Workers that review.", namespace=_PREFIX, registry=_registry, multiprocess_mode="livesum"
)


class _Pending:
    """Outcomes not yet passed on."""

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
            _outcomes.labels(rule, outcome).inc(count)

    def _run(self) -> None:
        while True:
            time.sleep(1)
            self.pass_on()


_pending = _Pending()


def runs(builds: list[tuple[str, str, str, str, str]], rules: Iterable[str]) -> None:
    """What runs in this process and those forked from it: version, ruleset, its digest, profile, its digest.

    What must never happen is counted from 0: a count that first appears as 1 does not rise, and sets off no alert.
    """
    _builds[:] = builds
    for rule in rules:
        _disagreements.labels(rule)
        _outcomes.labels(rule, "error")
    for how in ("SIGSEGV", "SIGKILL", "SIGBUS", "SIGABRT", "exit 1"):
        _ended.labels(how)


def worker_ready() -> None:
    """This worker reviews what ``runs`` has said."""
    for build in _builds:
        _info.labels(*build).set(1)
    _ready.set(1 if _builds else 0)


def answered(
    route: str, method: str, status: int, code: str | None, seconds: float, size_in: int | None, size_out: int | None
) -> None:
    """One request was answered."""
    _requests.labels(route, method, str(status)).inc()
    _seconds.labels(route).observe(seconds)
    if size_in:
        _bytes_in.labels(route).observe(size_in)
    if size_out is not None:
        _bytes_out.labels(route).observe(size_out)
    if code is not None:
        _refused.labels(code).inc()


def reviewed(outcomes: Mapping[str, str], disagreements: tuple[str, ...]) -> None:
    """One review was made: rule -> outcome, and the rules on which the deciders disagreed."""
    _pending.add(outcomes)
    for rule in disagreements:
        _disagreements.labels(rule).inc()


def fed_back(accepted: int, overridden: int, reasons: Mapping[str, int]) -> None:
    """Feedback came: cards accepted, cards overridden, and reasons (our own codes) of the latter."""
    _feedback.labels("accepted", "").inc(accepted)
    for reason, count in reasons.items():
        _feedback.labels("overridden", reason).inc(count)
    _feedback.labels("overridden", "").inc(overridden - sum(reasons.values()))


def bad_http() -> None:
    """The server refused what is not HTTP it takes."""
    _bad_http.inc()


def worker_ended(how: str) -> None:
    """In the master: a worker has ended by itself, with an exit status or by a signal."""
    _ended.labels(how).inc()


def worker_gone(slot: str) -> None:
    """In the master: what the worker said of itself alone (that it is ready) no longer counts."""
    multiprocess.mark_process_dead(slot)  # type: ignore[no-untyped-call,unused-ignore]


def exposition() -> bytes:
    """All numbers of all workers in the text format of Prometheus."""
    _pending.pass_on()
    if DIRECTORY not in os.environ:
        return prometheus.generate_latest(_registry)
    registry = prometheus.CollectorRegistry()
    multiprocess.MultiProcessCollector(registry)  # type: ignore[no-untyped-call,unused-ignore]
    return prometheus.generate_latest(registry)
