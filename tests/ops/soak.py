"""Many reviews at mixed sizes, with faults on demand: ``python -m tests.ops.soak --reviews 200000 [--faults]``.

Memory and CPU of the service are read from ``/proc`` in tenths of the run.
Memory is the proportional share (Pss) of the master and the workers together,
since what they share counts once; it is judged from the 10,000th review on.

CPU of a review depends on how busy the machine is, so all the time a fresh
process reviews the same bodies now and then, forked for each tenth from one
that has never reviewed: what is judged is the CPU of the service over the CPU
of the fresh one. Neighbors slow both; a leak or a growing table slows one.

With ``--faults`` a worker is killed every two seconds while slow, oversized
and broken bodies come in; good clients use the documented retry, may lose
nothing and must always get the same bytes. Exit status 1 when a limit of the
project is not met. Loopback only; bounded by the number of reviews.
"""

from __future__ import annotations

import argparse
import contextlib
import gc
import hashlib
import http.client
import json
import multiprocessing
import os
import signal
import socket
import subprocess
import threading
import time
from collections import Counter
from collections.abc import Iterator
from multiprocessing.connection import Connection
from pathlib import Path

from service.pipeline import Pipeline
from service.representations import review_json
from service.resources import demo_directory
from service.server import process
from service.settings import PREFIX
from tests.benchmark.http import children, cpu

CLIENTS = 8
#: Reviews after which memory may grow no more, and how much it may all the same; likewise for CPU.
_SETTLED, _MEMORY, _CPU = 10_000, 0.05, 0.10
#: The fresh process rests this many times as long as it works.
_REST = 6
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
            if number == 0:
                connection.close()  # a new one may come to the other worker
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


class Disturber(threading.Thread):
    """Kills a worker now and then; between, bodies that are slow, too large or broken."""

    def __init__(self, run: Run, child: int) -> None:
        super().__init__()
        self._run = run
        self._child = child
        self.ended = threading.Event()
        self.counts: Counter[str] = Counter()

    def run(self) -> None:
        bad = [b"{", b"\xff" * 1000, b"[" * 100_000, b'{"episode_ref": "a", "handover": 1}', b" " * 9_000_000]
        slow: list[socket.socket] = []
        turn = 0
        while not self.ended.wait(0.5):
            turn += 1
            if turn % 4 == 0 and len(workers := children(self._child)) == 2:
                os.kill(workers[turn // 4 % 2], signal.SIGKILL)
                self.counts["workers killed"] += 1
            try:
                with contextlib.closing(http.client.HTTPConnection("127.0.0.1", self._run.port, timeout=15)) as sent:
                    sent.request("POST", "/v1/reviews", bad[turn % len(bad)], JSON)
                    status = sent.getresponse().status
                    self.counts["bad bodies refused" if 400 <= status < 500 else f"bad bodies answered {status}"] += 1
                slow.append(socket.create_connection(("127.0.0.1", self._run.port), timeout=15))
                slow[-1].sendall(b"POST /v1/reviews HTTP/1.1\r\nHost: x\r\nContent-Length: 100\r\n\r\n{")
                self.counts["slow clients"] += 1
            except (OSError, http.client.HTTPException):
                self.counts["bad bodies whose worker was killed"] += 1
            if len(slow) > 12:
                slow.pop(0).close()
        for each in slow:
            each.close()


def _fresh(pipeline: Pipeline, given: list[bytes], ends: Connection) -> None:
    """In a process of its own: review every body, rest, and again until told to end; sends the CPU seconds of a review.

    The first round is not counted: it copies the pages that it shares.
    """
    gc.freeze()
    gc.set_threshold(20_000, 20, 50)  # as in the service
    rounds: list[float] = []
    while len(rounds) < 3 or not ends.poll(rounds[-1] * _REST):
        began = time.process_time()
        for body in given:
            review_json.render(pipeline.review(body, "application/json", "default"))
        rounds.append(time.process_time() - began)
    ends.send(sum(rounds[1:]) / (len(rounds) - 1) / len(given))


@contextlib.contextmanager
def fresh(pipeline: Pipeline, given: list[bytes], found: list[float]) -> Iterator[None]:
    """A fresh process reviews now and then inside the block; its CPU milliseconds of a review are put into ``found``."""
    context = multiprocessing.get_context("fork")
    ours, theirs = context.Pipe()
    process = context.Process(target=_fresh, args=(pipeline, given, theirs))
    process.start()
    try:
        yield
        ours.send(None)
        found.append(ours.recv() * 1000)
    finally:
        process.join(30)
        process.kill()


def memory(pid: int) -> float:
    """Megabytes of the master and its workers, each page once."""
    total = 0
    for each in [pid, *children(pid)]:
        with contextlib.suppress(OSError):  # a worker that has just been killed
            lines = Path(f"/proc/{each}/smaps_rollup").read_text().splitlines()
            total += next(int(line.split()[1]) for line in lines if line.startswith("Pss:"))
    return total / 1000


def main() -> None:
    """Run and print a table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--reviews", type=int, default=200_000)
    parser.add_argument("--faults", action="store_true")
    arguments = parser.parse_args()
    pipeline, given = Pipeline.build(), bodies()
    overrides = {f"{PREFIX}LOG_LEVEL": "error", f"{PREFIX}WORKERS": "2", "MALLOC_ARENA_MAX": "2"}  # as in the image
    began = time.monotonic()
    with process.running(overrides, stderr=subprocess.DEVNULL) as (base, child):
        run = Run(int(base.rsplit(":", 1)[1]), given)
        share = max(1, arguments.reviews // (10 * CLIENTS * len(given))) * len(
            given
        )  # each body as often in each tenth
        disturber = Disturber(run, child.pid)
        if arguments.faults:
            disturber.start()
        ratios: list[float] = []
        settled = None
        # The CPU of a worker that was killed is gone with it.
        more = "" if arguments.faults else " CPU of a review, ms | of a fresh process, ms | ratio |"
        print(f"| reviews | memory, MB | sent again | lost |{more}\n|---|---|---|---|{'---|' * more.count('|')}")
        for tenth in range(10):
            alone: list[float] = []
            before, done = cpu(child.pid), run.done
            clients = [threading.Thread(target=run.client, args=(tenth + n, share)) for n in range(CLIENTS)]
            with contextlib.nullcontext() if arguments.faults else fresh(pipeline, given, alone):
                for each in clients:
                    each.start()
                for each in clients:
                    while each.is_alive():
                        each.join(0.2)
                        if settled is None and run.done >= _SETTLED:
                            settled = memory(child.pid)
                spent = (cpu(child.pid) - before) * 1000 / max(1, run.done - done)
            row = f"| {run.done} | {memory(child.pid):.0f} | {run.retries} | {run.lost} |"
            if not arguments.faults:
                ratios.append(spent / alone[0])
                row += f" {spent:.2f} | {alone[0]:.2f} | {ratios[-1]:.3f} |"
            print(row, flush=True)
        end = memory(child.pid)
        if arguments.faults:
            disturber.ended.set()
            disturber.join()
    print(f"{run.done} reviews in {time.monotonic() - began:.0f} s")
    faults = []
    if run.done != share * CLIENTS * 10 or run.lost or (run.retries and not arguments.faults):
        faults.append("requests were lost or had to be sent again")
    if any(len(each) > 1 for each in run.answers.values()):
        faults.append("the same body had different answers")
    if arguments.faults:
        print(", ".join(f"{name}: {count}" for name, count in sorted(disturber.counts.items())))
        if any(name.startswith("bad bodies answered") for name in disturber.counts):
            faults.append("a bad body was not refused as the contract says")
    else:
        change = ratios[-1] / ratios[0] - 1
        print(f"CPU of the last tenth against the first, both over a fresh process: {change:+.1%}")
        if change > _CPU:
            faults.append(f"CPU of the last tenth is more than {_CPU:.0%} over the first")
        if settled is None or run.done <= _SETTLED:
            print(f"memory is not judged: no more than {_SETTLED} reviews")
        else:
            print(
                f"memory: {settled:.0f} MB after {_SETTLED} reviews, {end:.0f} MB at the end: {end / settled - 1:+.1%}"
            )
            if end > settled * (1 + _MEMORY):
                faults.append(f"memory grew by more than {_MEMORY:.0%} after {_SETTLED} reviews")
    print("\n".join(faults) or "every limit is met")
    raise SystemExit(bool(faults))


if __name__ == "__main__":
    main()
