"""The life of the process: drain, restart, crash, unreadable rules, a broken profile. Loopback only, bounded in time."""

from __future__ import annotations

import contextlib
import http.client
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from service import server
from service.resources import demo_directory
from service.settings import PREFIX
from tests.ops.running import JSON, Service, running

pytestmark = pytest.mark.live

CRASHING = "tests.ops.crashing:app"
BODY = (demo_directory() / "exemplary.json").read_bytes()


@contextlib.contextmanager
def load(service: Service, clients: int = 4) -> Iterator[dict[str, int]]:
    """Clients that send one review after another, each with the documented retry: a lost connection, 429, 502, 503."""
    done = {"answers": 0, "retries": 0, "lost": 0}
    bodies: set[bytes] = set()
    stop = threading.Event()
    lock = threading.Lock()

    def client() -> None:
        connection = service.connect(60)
        while not stop.is_set():
            for _ in range(20):
                try:
                    connection.request("POST", "/v1/reviews", BODY, JSON)
                    answer = connection.getresponse()
                    content = answer.read()
                    if answer.status == 200:
                        with lock:
                            bodies.add(content)
                            done["answers"] += 1
                        break
                    assert answer.status in (429, 503), answer.status
                except (OSError, http.client.HTTPException):
                    connection.close()
                with lock:
                    done["retries"] += 1
                time.sleep(0.05)
            else:
                with lock:
                    done["lost"] += 1
        connection.close()

    threads = [threading.Thread(target=client) for _ in range(clients)]
    for thread in threads:
        thread.start()
    try:
        yield done
    finally:
        stop.set()
        for thread in threads:
            thread.join()
    assert len(bodies) <= 1, "the same request, other bytes"


def until(holds: Callable[[], bool], seconds: float = 60) -> None:
    end = time.monotonic() + seconds
    while not holds():
        assert time.monotonic() < end, "it did not come to that in time"
        time.sleep(0.05)


def test_a_request_in_flight_is_answered_before_the_end(tmp_path: Path) -> None:
    with running(tmp_path, CRASHING) as service, contextlib.closing(service.connect()) as connection:
        connection.request("POST", "/v1/reviews", BODY, {**JSON, "X-Test-Slow": "1.5"})
        time.sleep(0.5)
        service.child.send_signal(signal.SIGTERM)
        assert connection.getresponse().status == 200
        assert server.end(service.child) == 0
        shared = [line for line in service.lines() if line["level"] == "error"]
        assert shared == []


def test_a_restart_under_load_loses_nothing(tmp_path: Path) -> None:
    with running(tmp_path) as service, load(service) as done:
        before = set(service.workers())
        until(lambda: done["answers"] > 20)
        service.child.send_signal(signal.SIGHUP)
        until(lambda: not before & set(service.workers()) and len(service.workers()) == 2)
        seen = done["answers"]
        until(lambda: done["answers"] > seen + 20)
    assert done["lost"] == 0
    assert done["retries"] == 0, "with one listener a worker, those who wait at its door are taken before it closes"


def test_workers_that_are_killed_lose_nothing_for_clients_that_retry(tmp_path: Path) -> None:
    with running(tmp_path) as service, load(service) as done:
        for _ in range(3):
            until(lambda: len(service.workers()) == 2)
            os.kill(service.workers()[0], signal.SIGKILL)
            time.sleep(1.2)
        seen = done["answers"]
        until(lambda: done["answers"] > seen + 20)
        until(lambda: service.number("restraint_review_workers_ended_total", how="SIGKILL") == 3)
        # The one that replaces the last has its rules to compile first.
        until(lambda: service.number("restraint_review_workers_ready") == 2)
    assert done["lost"] == 0


def test_a_segmentation_fault_in_the_engine(tmp_path: Path) -> None:
    with running(tmp_path, CRASHING) as service:
        counted = service.number("restraint_review_requests_total")
        with pytest.raises((http.client.RemoteDisconnected, ConnectionResetError)):
            service.call("POST", "/v1/reviews", BODY, {**JSON, "X-Test-Segfault": "1"})
        # The other worker, and soon a new one: the same request is safe to send again.
        statuses = []
        for _ in range(20):
            with contextlib.suppress(ConnectionError, http.client.HTTPException):
                statuses.append(service.call("POST", "/v1/reviews", BODY, JSON)[0])
        assert statuses.count(200) >= 19
        until(lambda: service.number("restraint_review_workers_ended_total", how="SIGSEGV") == 1)
        until(lambda: service.number("restraint_review_workers_ready") == 2)
        assert service.number("restraint_review_requests_total") > counted, "counts go on where they were"
        events = [(line["event"], line.get("signal")) for line in service.lines()]
        assert ("worker-killed", "SIGSEGV") in events


def test_nothing_is_left_in_shared_memory(tmp_path: Path) -> None:
    shared = Path("/dev/shm")
    if not os.access(shared, os.W_OK):
        pytest.skip("no shared memory that can be written")
    before = set(shared.glob("restraint-review-*"))
    with running(tmp_path) as service:
        assert len(set(shared.glob("restraint-review-*")) - before) >= 1
        assert service.call("GET", "/health/ready")[0] == 200
    assert set(shared.glob("restraint-review-*")) <= before


def test_the_health_check_of_the_image(tmp_path: Path) -> None:
    def status(port: int) -> int:
        environ = {**os.environ, f"{PREFIX}PORT": str(port)}
        command = [sys.executable, "-m", "service.healthcheck"]
        return subprocess.run(command, env=environ, timeout=20, check=False).returncode

    with running(tmp_path) as service:
        assert status(service.port) == 0
    assert status(service.port) == 1
