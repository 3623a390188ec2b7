"""Many reviews at mixed sizes, with faults on demand: ``python -m tests.ops.soak --reviews 200000 [--faults]``.

Memory and CPU of the workers are read from ``/proc`` in tenths of the run.
With ``--faults`` a worker is killed every few seconds while slow, oversized
and broken bodies come in; good clients use the documented retry, may lose
nothing and must always get the same bytes. Exit status 1 when a limit of the
project is not met. Loopback only; bounded by the number of reviews.
"""

from __future__ import annotations

import argparse
import contextlib
import hashlib
import http.client
import json
import os
import signal
import socket
import subprocess
import threading
import time
from pathlib import Path

from service import server
from service.resources import demo_directory
from service.settings import PREFIX
from tests.benchmark.http import children, cpu, memory_kb

CLIENTS = 4
#: Reviews after which memory may grow no more.
_SETTLED = 10_000
BENCHMARK = Path(__file__).parents[1] / "benchmark"
JSON = {"Content-Type": "application/json"}


def bodies() -> list[bytes]:
    """The demo episodes and those of the benchmarks: 2 to 60 kB."""
    files = [*sorted(demo_directory().glob("*.json")), *sorted(BENCHMARK.glob("episode-*.json"))]
    return [json.dumps(json.loads(each.read_bytes())).encode() for each in files if each.name != "index.json"]


class Run:
    """What has happened so far."""

    def __init__(self, port: int, given: list[bytes]) -> None:
        self.port = port
        self.given = given
        self.done = 0
        self.retries = 0
        self.lost = 0
        self.answers: dict[int, set[str]] = {number: set() for number in range(len(given))}
        self.lock = threading.Lock()

    def client(self, first: int, count: int) -> None:
        """Send ``count`` reviews, each until it is answered."""
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=30)
        for turn in range(count):
            number = (first + turn) % len(self.given)
            for _ in range(100):
                with contextlib.suppress(OSError, http.client.HTTPException):
                    connection.request("POST", "/v1/reviews", self.given[number], JSON)
                    answer = connection.getresponse()
                    content = answer.read()
                    if answer.status == 200:
                        with self.lock:
                            self.done += 1
                            self.answers[number].add(hashlib.sha256(content).hexdigest())
                        break
                    if answer.status not in (429, 503):
                        with self.lock:
                            self.lost += 1
                        break
                connection.close()
                with self.lock:
                    self.retries += 1
                time.sleep(0.05)
            else:
                with self.lock:
                    self.lost += 1
        connection.close()


def disturb(run: Run, child: int, stop: threading.Event) -> None:
    """Kill a worker now and then; between, bodies that are slow, too large or broken."""
    bad = [b"{", b"\xff" * 1000, b"[" * 100000, b'{"episode_ref": "a", "handover": 1}', b" " * 9_000_000]
    slow: list[socket.socket] = []
    turn = 0
    while not stop.wait(0.5):
        turn += 1
        with contextlib.suppress(OSError, http.client.HTTPException, IndexError):
            if turn % 8 == 0:
                os.kill(children(child)[turn % 2], signal.SIGKILL)
            connection = http.client.HTTPConnection("127.0.0.1", run.port, timeout=15)
            with contextlib.closing(connection):
                connection.request("POST", "/v1/reviews", bad[turn % len(bad)], JSON)
                assert 400 <= connection.getresponse().status < 500
            slow.append(socket.create_connection(("127.0.0.1", run.port), timeout=15))
            slow[-1].sendall(b"POST /v1/reviews HTTP/1.1\r\nHost: x\r\nContent-Length: 100\r\n\r\n{")
    for each in slow:
        each.close()


def main() -> None:
    """Run and print a table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--reviews", type=int, default=200_000)
    parser.add_argument("--faults", action="store_true")
    arguments = parser.parse_args()
    overrides = {f"{PREFIX}LOG_LEVEL": "error", f"{PREFIX}WORKERS": "2"}
    with server.running(overrides, stderr=subprocess.DEVNULL) as (base, child):
        run = Run(int(base.rsplit(":", 1)[1]), bodies())
        share = max(1, arguments.reviews // (10 * CLIENTS))
        stop = threading.Event()
        disturber = threading.Thread(target=disturb, args=(run, child.pid, stop))
        if arguments.faults:
            disturber.start()
        rows = []
        print("| reviews | memory of the workers, MB | CPU, ms a review | sent again | lost |\n|---|---|---|---|---|")
        for tenth in range(10):
            before, done = cpu(child.pid), run.done
            clients = [threading.Thread(target=run.client, args=(tenth + n, share)) for n in range(CLIENTS)]
            for each in clients:
                each.start()
            for each in clients:
                each.join()
            each = (cpu(child.pid) - before) * 1000 / max(1, run.done - done)
            rows.append((run.done, memory_kb(child.pid) / 1000, each))
            # The CPU of a worker that was killed is gone with it.
            shown = "" if arguments.faults else f"{each:.2f}"
            print(f"| {run.done} | {rows[-1][1]:.0f} | {shown} | {run.retries} | {run.lost} |", flush=True)
        stop.set()
        if arguments.faults:
            disturber.join()
        faults = []
        if run.lost or (run.retries and not arguments.faults):
            faults.append("requests were lost or had to be sent again")
        if any(len(each) != 1 for each in run.answers.values()):
            faults.append("the same body had different answers")
        if not arguments.faults:
            settled = [memory for count, memory, _ in rows if count >= _SETTLED]
            if len(settled) < 2:
                print(f"memory is not judged: fewer than two tenths after {_SETTLED} reviews")
            elif settled[-1] > settled[0] * 1.05:
                faults.append(f"memory grew by more than 5 % after {_SETTLED} reviews")
            if abs(rows[-1][2] / rows[0][2] - 1) > 0.10:
                faults.append("CPU of the last tenth is not within 10 % of the first")
        print("\n".join(faults) or "every limit is met")
        raise SystemExit(bool(faults))


if __name__ == "__main__":
    main()
