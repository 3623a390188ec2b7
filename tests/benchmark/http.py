"""Worker CPU per review and requests per second, beside a bare route on the same gunicorn settings.

``python -m tests.benchmark.http [--requests 2000] [--rounds 5]``

The bare route (``tests.benchmark.bare``) parses the same body (JSON with
Flask's own reader) and returns as many bytes as the review has. Both servers run all
the time, the project's own server under both; rounds alternate.
CPU is user + system time of the worker processes. The bodies are 50 variants of
one episode, so that no cache can win. Charts in other formats are sent a quarter
as often: a review of one takes longer.
"""

from __future__ import annotations

import argparse
import http.client
import json
import os
import statistics
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from service.pipeline import MEDIA_TYPES
from service.server import process
from service.settings import PREFIX
from tests.benchmark import charts
from tests.benchmark.episodes import variants
from tests.benchmark.timing import machine, table
from tests.support.episodes import Document

HERE = Path(__file__).parent
CLIENTS = 2
JSON = "application/json"


def children(pid: int) -> list[int]:
    """The worker processes of a gunicorn master."""
    return [int(p) for p in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]


def cpu(pid: int) -> float:
    """User + system seconds of all workers, by the clock of each (Linux: ``clock_getcpuclockid``, to the nanosecond)."""
    return sum(time.clock_gettime(~child << 3 | 2) for child in children(pid))


def memory_kb(pid: int) -> int:
    """Resident memory of all workers, kB."""
    total = 0
    for child in children(pid):
        for line in Path(f"/proc/{child}/status").read_text().splitlines():
            if line.startswith("VmRSS:"):
                total += int(line.split()[1])
    return total


@dataclass(frozen=True, slots=True)
class Bodies:
    """What is sent: a name, a media type and variants of one body."""

    name: str
    media_type: str
    variants: list[bytes]
    share: int = 1


def send(
    port: int,
    bodies: list[bytes],
    count: int,
    media_type: str = JSON,
    name: str = "",
    hear: Callable[[http.client.HTTPResponse], None] = lambda _: None,
) -> int:
    """Send ``count`` requests over CLIENTS kept-alive connections; returns the bytes of the last answer.

    ``hear`` is given every answer once it is read, by several threads.
    """
    sizes: list[int] = []

    def client(number: int) -> None:
        connection = http.client.HTTPConnection("127.0.0.1", port, timeout=60)
        for index in range(number, count, CLIENTS):
            body = bodies[index % len(bodies)]
            connection.request("POST", "/v1/reviews", body, {"Content-Type": media_type, "X-Bodies": name})
            answer = connection.getresponse()
            read = answer.read()
            if answer.status != 200:
                raise SystemExit(f"answer {answer.status}")
            sizes.append(len(read))
            hear(answer)
        connection.close()

    threads = [threading.Thread(target=client, args=(n,)) for n in range(CLIENTS)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    if len(sizes) != count:
        raise SystemExit("a client failed")
    return sizes[-1]


def documents_of(size: int) -> Iterator[Document]:
    """Fifty variants of one benchmark episode."""
    episode = json.loads((HERE / f"episode-{size}.json").read_text(encoding="utf-8"))
    for number, variant in enumerate(variants(episode, 50)):
        yield {**variant, "episode_ref": f"bench-{size}-{number}"}


def bodies_of(size: int) -> list[bytes]:
    """The same as JSON."""
    return [json.dumps(document).encode() for document in documents_of(size)]


def sets() -> list[Bodies]:
    """Both episodes, and the smaller one in every other format that is served."""
    found = [Bodies(f"{size} items", JSON, bodies_of(size)) for size in (60, 300)]
    other: dict[str, tuple[str, Callable[[Document], bytes]]] = {
        "application/fhir+json": ("60 items, FHIR", charts.fhir),
        "application/xml": ("60 items, NEMSIS", charts.nemsis),
    }
    for media_type, (name, write) in other.items():
        if media_type in MEDIA_TYPES:
            found.append(Bodies(name, media_type, [write(document) for document in documents_of(60)], 4))
    return found


@dataclass(frozen=True, slots=True)
class Server:
    """A gunicorn master that listens."""

    pid: int
    port: int


@contextmanager
def serving(app: Sequence[str], overrides: Mapping[str, str] | None = None) -> Iterator[Server]:
    """An application behind the project's own gunicorn settings with two workers, ended when the block is left."""
    port = process.free_port()
    environ = {**os.environ, f"{PREFIX}HOST": "127.0.0.1", f"{PREFIX}PORT": str(port), f"{PREFIX}WORKERS": "2"}
    command = [sys.executable, "-m", "tests.ops.serve", *app]
    child = subprocess.Popen(command, env={**environ, **(overrides or {})}, stderr=subprocess.DEVNULL)
    try:
        process.wait_ready(f"http://127.0.0.1:{port}", child)
        yield Server(child.pid, port)
    finally:
        process.end(child)


def measure(full: Server, bare: Server, bodies: Bodies, requests: int, rounds: int) -> dict[str, list[float]]:
    """Rounds for both servers, alternating; CPU ms a request and requests a second."""
    out: dict[str, list[float]] = {"full_ms": [], "bare_ms": [], "full_rps": [], "bare_rps": []}
    servers = (("full", full), ("bare", bare))
    count = requests // bodies.share
    for _, each in servers:
        send(each.port, bodies.variants, 200, bodies.media_type, bodies.name)
    for _ in range(rounds):
        for name, each in servers:
            before, start = cpu(each.pid), time.perf_counter()
            send(each.port, bodies.variants, count, bodies.media_type, bodies.name)
            elapsed = time.perf_counter() - start
            out[f"{name}_ms"].append((cpu(each.pid) - before) / count * 1000)
            out[f"{name}_rps"].append(count / elapsed)
    return out


HEAD = (
    "body",
    "body kB",
    "answer kB",
    "bare ms",
    "full ms",
    "full, lowest-highest",
    "bare / full",
    "bare req/s",
    "full req/s",
)


def rows(requests: int, rounds: int) -> Iterator[list[str]]:
    """A row of the table for every set of bodies. Starts both servers and ends them."""
    listed = sets()
    with process.running({f"{PREFIX}WORKERS": "2"}, stderr=subprocess.DEVNULL) as (base, child):
        full = Server(child.pid, int(base.rsplit(":", 1)[1]))
        sizes = {each.name: send(full.port, each.variants[:1], CLIENTS, each.media_type, each.name) for each in listed}
        with serving(
            ["tests.benchmark.bare"], {f"BARE_BYTES_{name}": str(size) for name, size in sizes.items()}
        ) as bare:
            for each in listed:
                found = measure(full, bare, each, requests, rounds)
                middle = {name: statistics.median(values) for name, values in found.items()}
                ratio = statistics.median(b / f for b, f in zip(found["bare_ms"], found["full_ms"], strict=True))
                yield [
                    each.name, f"{len(each.variants[0]) / 1000:.1f}", f"{sizes[each.name] / 1000:.1f}", f"{middle['bare_ms']:.2f}",
                    f"{middle['full_ms']:.2f}", f"{min(found['full_ms']):.2f}-{max(found['full_ms']):.2f}", f"{ratio:.3f}",
                    f"{middle['bare_rps']:.0f}", f"{middle['full_rps']:.0f}",
                ]  # fmt: skip


def main() -> None:
    """Measure and print a table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--requests", type=int, default=2000)
    parser.add_argument("--rounds", type=int, default=5)
    arguments = parser.parse_args()
    print(f"{machine()}; 2 workers")
    print(table(HEAD, list(rows(arguments.requests, arguments.rounds))))


if __name__ == "__main__":
    main()
