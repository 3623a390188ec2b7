"""Worker CPU per review and requests per second, beside a bare route on the same gunicorn settings.

``python -m tests.benchmark.http [--requests 2000] [--rounds 5]``

The bare route (``tests.benchmark.bare``) parses the same body with Flask's
own reader and returns as many bytes as the review has. Both servers run all
the time, the project's own ``gunicorn_conf`` under both; rounds alternate.
CPU is user + system time of the worker processes from ``/proc``. The bodies
are 50 variants of one episode, so that no cache can win.
"""

from __future__ import annotations

import argparse
import http.client
import json
import os
import platform
import statistics
import subprocess
import sys
import threading
import time
from pathlib import Path

from service import server
from service.settings import PREFIX
from tests.benchmark.episodes import variants

HERE = Path(__file__).parent
TICK = os.sysconf("SC_CLK_TCK")
CLIENTS = 2


def children(pid: int) -> list[int]:
    """The worker processes of a gunicorn master."""
    return [int(p) for p in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]


def cpu(pid: int) -> float:
    """User + system seconds of all workers."""
    total = 0
    for child in children(pid):
        fields = Path(f"/proc/{child}/stat").read_text().rsplit(")", 1)[1].split()
        total += int(fields[11]) + int(fields[12])
    return total / TICK


def memory_kb(pid: int) -> int:
    """Resident memory of all workers, kB."""
    total = 0
    for child in children(pid):
        for line in Path(f"/proc/{child}/status").read_text().splitlines():
            if line.startswith("VmRSS:"):
                total += int(line.split()[1])
    return total


def send(port: int, bodies: list[bytes], count: int) -> int:
    """Send ``count`` requests over CLIENTS kept-alive connections; returns the bytes of the last answer."""
    sizes: list[int] = []

    def client(number: int) -> None:
        connection = http.client.HTTPConnection("127.0.0.1", port, timeout=60)
        for index in range(number, count, CLIENTS):
            body = bodies[index % len(bodies)]
            connection.request("POST", "/v1/reviews", body, {"Content-Type": "application/json"})
            answer = connection.getresponse()
            read = answer.read()
            if answer.status != 200:
                raise SystemExit(f"answer {answer.status}")
            sizes.append(len(read))
        connection.close()

    threads = [threading.Thread(target=client, args=(n,)) for n in range(CLIENTS)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    if len(sizes) != count:
        raise SystemExit("a client failed")
    return sizes[-1]


def bodies_of(size: int) -> list[bytes]:
    """Fifty variants of one benchmark episode."""
    episode = json.loads((HERE / f"episode-{size}.json").read_text(encoding="utf-8"))
    out = []
    for number, variant in enumerate(variants(episode, 50)):
        out.append(json.dumps({**variant, "episode_ref": f"bench-{size}-{number}"}).encode())
    return out


def measure(
    full: tuple[int, int], bare: tuple[int, int], bodies: list[bytes], requests: int, rounds: int
) -> dict[str, list[float]]:
    """Rounds of (pid, port) for both servers, alternating; CPU ms a request and requests a second."""
    out: dict[str, list[float]] = {"full_ms": [], "bare_ms": [], "full_rps": [], "bare_rps": []}
    for name, (_, port) in (("full", full), ("bare", bare)):
        send(port, bodies, 200)
    for _ in range(rounds):
        for name, (pid, port) in (("full", full), ("bare", bare)):
            before, start = cpu(pid), time.perf_counter()
            send(port, bodies, requests)
            elapsed = time.perf_counter() - start
            out[f"{name}_ms"].append((cpu(pid) - before) / requests * 1000)
            out[f"{name}_rps"].append(requests / elapsed)
    return out


def main() -> None:
    """Measure and print a table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--requests", type=int, default=2000)
    parser.add_argument("--rounds", type=int, default=5)
    arguments = parser.parse_args()
    sets = {size: bodies_of(size) for size in (60, 300)}
    with server.running({f"{PREFIX}WORKERS": "2"}, stderr=subprocess.DEVNULL) as (base, full):
        port = int(base.rsplit(":", 1)[1])
        sizes = {size: send(port, bodies[:1], CLIENTS) for size, bodies in sets.items()}
        bare_port = server.free_port()
        environ = {**os.environ, f"{PREFIX}HOST": "127.0.0.1", f"{PREFIX}PORT": str(bare_port), f"{PREFIX}WORKERS": "2"}
        environ |= {f"BARE_BYTES_{size}": str(length) for size, length in sizes.items()}
        command = [
            sys.executable,
            "-m",
            "gunicorn",
            "--config",
            "python:service.gunicorn_conf",
            "tests.benchmark.bare:app",
        ]
        bare = subprocess.Popen(command, env=environ, stderr=subprocess.DEVNULL)
        try:
            server.wait_ready(f"http://127.0.0.1:{bare_port}", bare)
            print(
                f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}, gthread, 2 workers, 2 threads"
            )
            print("| episode | body kB | answer kB | bare ms | full ms | bare / full | bare req/s | full req/s |")
            print("|---|---|---|---|---|---|---|---|")
            for size, bodies in sets.items():
                found = measure((full.pid, port), (bare.pid, bare_port), bodies, arguments.requests, arguments.rounds)
                middle = {name: statistics.median(values) for name, values in found.items()}
                ratio = statistics.median(b / f for b, f in zip(found["bare_ms"], found["full_ms"], strict=True))
                print(
                    f"| {size} items | {len(bodies[0]) / 1000:.1f} | {sizes[size] / 1000:.1f} | {middle['bare_ms']:.2f} | "
                    f"{middle['full_ms']:.2f} | {ratio:.3f} | {middle['bare_rps']:.0f} | {middle['full_rps']:.0f} |"
                )
        finally:
            server.end(bare)


if __name__ == "__main__":
    main()
