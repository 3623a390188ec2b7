"""Time to an answer at a share of what the service can take: ``python -m tests.benchmark.latency``.

Sixteen clients with a connection each. First they send as fast as they are
answered, which is the capacity. Then requests fall due at random (seeded), on
average at a share of the capacity, and each is timed from when it fell due: who
waits for a free client has waited too. Loopback only; the clients take part of
the same cores.
"""

from __future__ import annotations

import argparse
import random
import statistics
import subprocess
import time
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from itertools import accumulate, cycle

import urllib3

from service.server import process
from service.settings import PREFIX
from tests.benchmark.http import JSON, bodies_of
from tests.benchmark.timing import machine, table

CLIENTS = 16
SHARES = (0.5, 0.9)


def run(port: int, bodies: Sequence[bytes], due: Sequence[float]) -> list[float]:
    """Send one request at each of ``due`` (seconds from now), or as soon after as a client is free; seconds each took."""
    with (
        urllib3.HTTPConnectionPool("127.0.0.1", port, maxsize=CLIENTS, timeout=60) as connections,
        ThreadPoolExecutor(CLIENTS) as clients,
    ):
        began = time.perf_counter()

        def send(at: float, body: bytes) -> float:
            time.sleep(max(0.0, began + at - time.perf_counter()))
            answer = connections.urlopen("POST", "/v1/reviews", body, {"Content-Type": JSON})
            if answer.status != 200:
                raise SystemExit(f"answer {answer.status}")
            return time.perf_counter() - began - at

        return list(clients.map(send, due, cycle(bodies)))


def measure(port: int, size: int, requests: int) -> list[list[str]]:
    """A row for the capacity and for each share of it."""
    bodies = bodies_of(size)
    run(port, bodies, [0.0] * 200)
    began = time.perf_counter()
    run(port, bodies, [0.0] * requests)
    capacity = requests / (time.perf_counter() - began)
    rows = [[f"{size} items", "all they can", f"{capacity:.0f}", "", "", ""]]
    rng = random.Random(size)
    for share in SHARES:
        rate = capacity * share
        took = run(port, bodies, list(accumulate(rng.expovariate(rate) for _ in range(requests))))
        cut = statistics.quantiles(took, n=100)
        rows.append(["", f"{share:.0%}", f"{rate:.0f}", *(f"{cut[p - 1] * 1000:.1f}" for p in (50, 95, 99))])
    return rows


def main() -> None:
    """Measure both sizes and print a table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--requests", type=int, default=4000)
    requests = parser.parse_args().requests
    print(f"{machine()}; 2 workers, {CLIENTS} clients")
    with process.running({f"{PREFIX}WORKERS": "2"}, stderr=subprocess.DEVNULL) as (base, _):
        port = int(base.rsplit(":", 1)[1])
        rows = [row for size in (60, 300) for row in measure(port, size, requests)]
    print(table(("body", "load", "requests a second", "p50, ms", "p95, ms", "p99, ms"), rows))


if __name__ == "__main__":
    main()
