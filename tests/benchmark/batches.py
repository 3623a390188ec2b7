"""The batch command as it is run: reviews a second on one core, and what a second process adds.

Start-up is taken off by a run over two lines. CPU time is that of the command
and all its processes; wall time too, and that is what a shared machine spoils.
"""

from __future__ import annotations

import resource
import statistics
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

from tests.benchmark.stages import bodies

_FEW = 2


@dataclass(frozen=True, slots=True)
class Rate:
    """One number of processes: reviews per second of wall time, CPU ms a review, one of each a round."""

    per_second: tuple[float, ...]
    cpu_ms: tuple[float, ...]


def _run(lines: Path, processes: int) -> tuple[float, float]:
    with tempfile.TemporaryDirectory(prefix="restraint-review-benchmark-") as folder:
        output = Path(folder) / "out"
        command = [
            sys.executable,
            "-m",
            "service.cli",
            "batch",
            str(lines),
            "--output",
            str(output),
            "--processes",
            str(processes),
        ]
        before, start = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
        done = subprocess.run(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, timeout=300, check=False)
        wall, after = time.perf_counter() - start, resource.getrusage(resource.RUSAGE_CHILDREN)
        if done.returncode:
            raise SystemExit(f"the batch ended with {done.returncode}: {done.stderr.decode()[-500:]}")
    return wall, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def measure(number: int, rounds: int, processes: tuple[int, ...] = (1, 2)) -> dict[int, Rate]:
    """Rates by number of processes, over so many reviews of the smaller episode."""
    each = bodies(60)
    with tempfile.TemporaryDirectory(prefix="restraint-review-benchmark-") as folder:
        few, many = Path(folder) / "few.ndjson", Path(folder) / "many.ndjson"
        few.write_bytes(b"".join(body + b"\n" for body in each[:_FEW]))
        many.write_bytes(b"".join(each[index % len(each)] + b"\n" for index in range(number)))
        fixed = {count: [_run(few, count) for _ in range(rounds)] for count in processes}
        start = {
            count: [statistics.median(values) for values in zip(*runs, strict=True)] for count, runs in fixed.items()
        }
        found: dict[int, list[tuple[float, float]]] = {count: [] for count in processes}
        for _ in range(rounds):
            for count in processes:
                wall, cpu = _run(many, count)
                found[count].append((wall - start[count][0], cpu - start[count][1]))
    left = number - _FEW
    return {
        count: Rate(tuple(left / wall for wall, _ in runs), tuple(cpu / left * 1000 for _, cpu in runs))
        for count, runs in found.items()
    }
