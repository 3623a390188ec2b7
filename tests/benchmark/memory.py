"""Start-up time, and memory after 1,000 and after 20,000 reviews: ``python -m tests.benchmark.memory``."""

from __future__ import annotations

import argparse
import subprocess
import time

from service.server import process
from service.settings import PREFIX
from tests.benchmark.http import bodies_of, memory_kb, send


def main() -> None:
    """Measure one worker and print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--reviews", type=int, default=20_000)
    arguments = parser.parse_args()
    bodies = bodies_of(60)
    start = time.perf_counter()
    with process.running({f"{PREFIX}WORKERS": "1"}, stderr=subprocess.DEVNULL) as (base, child):
        ready = time.perf_counter() - start
        port = int(base.rsplit(":", 1)[1])
        send(port, bodies, 1_000)
        early = memory_kb(child.pid)
        send(port, bodies, arguments.reviews - 1_000)
        late = memory_kb(child.pid)
    print(
        f"ready after {ready:.2f} s; one worker: {early / 1024:.1f} MiB after 1,000 reviews, {late / 1024:.1f} MiB after {arguments.reviews:,}"
    )


if __name__ == "__main__":
    main()
