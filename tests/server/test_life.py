"""The life of the process: drain, restart, crash, files that change, no memory, no disk, a wrong clock.

Loopback only, bounded in time. Starts that are refused: ``test_start.py``.
"""

from __future__ import annotations

import contextlib
import http.client
import json
import os
import re
import resource
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from service.commands import keys
from service.representations import review_json
from service.resources import demo_directory, rules_directory
from service.server import process
from service.server.addresses import CannotListen, take_addresses
from service.settings import PREFIX
from tests.ops.running import JSON, Service, running
from tests.support.pipeline import pipeline

pytestmark = pytest.mark.live

CRASHING = "tests.ops.crashing"
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
    with running(tmp_path, CRASHING) as service:
        with contextlib.closing(service.connect()) as connection:
            connection.request("POST", "/v1/reviews", BODY, {**JSON, "X-Test-Slow": "1"})
            time.sleep(0.5)
            service.child.send_signal(signal.SIGTERM)
            assert connection.getresponse().status == 200
        assert process.end(service.child) == 0
        assert [line["event"] for line in service.lines()][-1] == "server-stopping"
        assert not [line for line in service.lines() if line["level"] == "error"]


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


def test_rules_and_profiles_are_those_of_the_start(tmp_path: Path) -> None:
    """Files that are broken under a running service change nothing, not for new workers either."""
    rules = tmp_path / "rules"
    shutil.copytree(rules_directory(), rules)
    with running(tmp_path, RULES_DIR=str(rules)) as service:
        before = service.call("POST", "/v1/reviews", BODY, JSON)
        for victim in (min((rules / "decision").glob("*.yaml")), rules / "profiles" / "default.yaml"):
            victim.write_bytes(victim.read_bytes()[:100])
        first = set(service.workers())
        os.kill(min(first), signal.SIGKILL)
        until(lambda: len(service.workers()) == 2 and min(first) not in service.workers())
        service.child.send_signal(signal.SIGHUP)
        until(lambda: len(service.workers()) == 2 and not first & set(service.workers()))
        for _ in range(10):
            assert service.call("POST", "/v1/reviews", BODY, JSON)[::2] == before[::2]
        assert not [line for line in service.lines() if line["event"] == "not-started"]


def test_a_file_of_clients_that_breaks_does_not_end_the_service(tmp_path: Path) -> None:
    key, digest = keys.new_key()
    file = tmp_path / "clients.json"
    good = json.dumps({"clients": [{"name": "charting", "scopes": ["review"], "keys": [digest]}]})
    file.write_text(good)
    headers = {**JSON, "Authorization": f"Bearer {key}"}
    with running(tmp_path, CLIENTS_FILE=str(file), WORKERS="1", OPERATIONS_PORT=str(process.free_port())) as service:
        assert service.call("POST", "/v1/reviews", BODY, headers)[0] == 200
        file.write_text(good[:20])
        time.sleep(1.1)  # the file is looked at once a second
        assert service.call("POST", "/v1/reviews", BODY, headers)[0] == 200
        (worker,) = service.workers()
        os.kill(worker, signal.SIGKILL)
        until(lambda: service.workers() not in ([], [worker]))
        status, answered, _ = service.call("POST", "/v1/reviews", BODY, headers)
        assert (status, answered["Retry-After"]) == (503, "1")
        file.write_text(good)
        until(lambda: service.call("POST", "/v1/reviews", BODY, headers)[0] == 200)


def test_out_of_memory(tmp_path: Path) -> None:
    """A worker that gets no more memory says so, is asked again, and reviews what it can. Killed, it is replaced."""
    with running(tmp_path, WORKERS="1", MAX_BODY_BYTES=str(2**26), HELD_BYTES=str(2**28)) as service:
        before = service.call("POST", "/v1/reviews", BODY, JSON)
        (worker,) = service.workers()
        # Room for a connection, not for the body: what a greenlet starts with is taken before anybody could answer.
        size = int(Path(f"/proc/{worker}/statm").read_text().split()[0]) * resource.getpagesize() + 2**24
        resource.prlimit(worker, resource.RLIMIT_AS, (size, resource.RLIM_INFINITY))
        large = json.dumps({"episode_ref": "a", "narrative": "Zq7canaryXw " * 5_000_000}).encode()
        status, headers, body = service.call("POST", "/v1/reviews", large, JSON)
        assert (status, headers["Retry-After"], json.loads(body)["code"]) == (503, "1", "not-ready")
        assert service.call("POST", "/v1/reviews", BODY, JSON)[::2] == before[::2]
        resource.prlimit(worker, resource.RLIMIT_AS, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
        assert service.call("POST", "/v1/reviews", large, JSON)[0] in (200, 422)
        crash = [line for line in service.lines() if line["event"] == "crash"]
        assert {line["exception"] for line in crash} == {"MemoryError"}
        assert b"Zq7canaryXw" not in service.log.read_bytes()


def test_a_reader_of_the_log_that_stands_still_changes_nothing(tmp_path: Path) -> None:
    """Lines are dropped and counted, reviews and health go on, and the end comes in its time."""
    out, into = os.pipe()
    with running(tmp_path, log=f"/proc/{os.getpid()}/fd/{into}", LOG_LEVEL="debug") as service:
        for _ in range(6000):  # far more than a pipe of one and one of another size hold
            service.call("GET", "/health/live")
            if service.number("restraint_review_log_lines_dropped_total") > 10:
                break
        assert service.number("restraint_review_log_lines_dropped_total") > 10
        for _ in range(20):
            assert service.call("POST", "/v1/reviews", BODY, JSON)[0] == 200
            assert service.call("GET", "/health/ready")[0] == 200
        began = time.monotonic()
        assert process.end(service.child) == 0
        assert time.monotonic() - began < 25
    os.close(out)
    os.close(into)


def test_a_frozen_worker_is_replaced_and_takes_nobody_with_it(tmp_path: Path) -> None:
    with running(tmp_path) as service:
        frozen = service.workers()[0]
        os.kill(frozen, signal.SIGSTOP)
        began = time.monotonic()
        while frozen in service.workers() and time.monotonic() < began + 20:
            assert service.call("POST", "/v1/reviews", BODY, JSON)[0] == 200
            assert service.call("GET", "/health/ready")[0] == 200
        assert time.monotonic() - began < 15
        until(lambda: len(service.workers()) == 2)
        until(lambda: service.number("restraint_review_workers_ended_total", how="SIGKILL") == 1)


def test_a_full_disk_takes_the_log_and_nothing_else(tmp_path: Path) -> None:
    if not Path("/dev/full").exists():
        pytest.skip("no /dev/full here")
    with running(tmp_path, log="/dev/full", WORKERS="1") as service:
        for _ in range(5):
            assert service.call("POST", "/v1/reviews", BODY, JSON)[0] == 200
        assert service.call("POST", "/v1/reviews", b"{", JSON)[0] == 400
        assert process.end(service.child) == 0


def test_shared_memory_that_fills_up_changes_nothing(tmp_path: Path) -> None:
    """The room for the numbers is taken at the start. Needs the right to mount, in a space of its own."""
    inside = ["unshare", "--mount", "sh", "-c", 'mount -t tmpfs -o size="$0" tmpfs /dev/shm && exec "$@"']
    if shutil.which("unshare") is None or subprocess.run([*inside, "1m", "true"], capture_output=True).returncode:
        pytest.skip("no right to mount a file system here")
    too_small = subprocess.run([*inside, "2m", *process.command()], capture_output=True, text=True, timeout=60)
    assert too_small.returncode == 3
    assert len(too_small.stderr.splitlines()) == 1 and "/dev/shm" in too_small.stderr
    with running(tmp_path, before=(*inside, "16m")) as service:
        shared = Path("/proc", str(service.child.pid), "root", "dev", "shm")
        with (shared / "other").open("wb", buffering=0) as other, pytest.raises(OSError, match="No space left"):
            while True:
                other.write(b"x" * 65536)
        for _ in range(20):
            assert service.call("POST", "/v1/reviews", BODY, JSON)[0] == 200
        until(lambda: service.number("restraint_review_requests_total", route="/v1/reviews") == 20)
        assert not [line for line in service.lines() if line["event"] == "worker-killed"]


@pytest.mark.parametrize("year", [1970, 2090])
def test_reviews_do_not_depend_on_the_clock(tmp_path: Path, year: int) -> None:
    """Every clock of the day that C can ask, the engine's included, is off by decades and jumps back and forth."""
    compiler = shutil.which("cc") or shutil.which("gcc")
    if compiler is None or sys.platform != "linux":
        pytest.skip("no C compiler for the clock")
    library = tmp_path / "clock.so"
    source = Path(__file__).parent / "clock.c"
    subprocess.run([compiler, "-shared", "-fPIC", "-O1", "-o", library, source, "-ldl"], check=True)
    # The first of March: Linux knows no time before 1970, and what the engine makes of one is a refused start.
    seconds = int(datetime(year, 3, 1, tzinfo=UTC).timestamp() - time.time())
    expected = review_json.render(pipeline().review(BODY, "application/json", "default"))
    with running(tmp_path, WORKERS="1", ld_preload=str(library), clock_off=str(seconds)) as service:
        for _ in range(5):
            assert service.call("POST", "/v1/reviews", BODY, JSON)[2] == expected
        assert {line["time"][:4] for line in service.lines()} == {str(year)}, "the clock was wrong indeed"


def test_a_worker_for_each_core_fits_into_the_limit_of_the_compose_file(tmp_path: Path) -> None:
    """Threads count too, and a restart doubles the workers."""
    compose = (Path(__file__).parents[2] / "docker" / "compose.yaml").read_text("utf-8")
    limit = int(re.search(r"# Two threads .* (\d+) workers\.\n    pids_limit: (\d+)", compose)[2])  # type: ignore[index]
    most = int(re.search(r"SIGHUP replaces them: (\d+) workers", compose)[1])  # type: ignore[index]
    with running(tmp_path) as service:
        for _ in range(5):
            assert service.call("POST", "/v1/reviews", BODY, JSON)[0] == 200
        pids = [service.child.pid, *service.workers()]
        master, *workers = (len(list(Path(f"/proc/{pid}/task").iterdir())) for pid in pids)
    assert master + 2 * most * max(workers) <= limit


def test_workers_end_with_their_master(tmp_path: Path) -> None:
    with running(tmp_path) as service:
        folder = service.folder()
        service.child.kill()
        service.child.wait()
        until(lambda: _is_free(service.port), 30)
        shutil.rmtree(folder)  # nobody was left to do it


def _is_free(port: int) -> bool:
    """Whether no worker listens any more, and none holds the name of the port."""
    try:
        take_addresses("127.0.0.1", [port])
    except CannotListen:
        return False
    return True


def test_the_health_check_of_the_image(tmp_path: Path) -> None:
    def status(port: int) -> int:
        environ = {**os.environ, f"{PREFIX}PORT": str(port)}
        command = [sys.executable, "-m", "service.server.health"]
        return subprocess.run(command, env=environ, timeout=20, check=False).returncode

    with running(tmp_path) as service:
        assert status(service.port) == 0
    assert status(service.port) == 1
