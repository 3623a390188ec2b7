"""Memory and rate of the batch command: ``python -m tests.batch.figures --lines 1000 10000 100000``.

The rate is given as a ratio: CPU time of one line through the command over CPU
time of one review in this process, both on the same lines, measured alternately.
"""

from __future__ import annotations

import argparse
import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import NamedTuple

from service.representations import review_json
from service.wording.headings import count
from tests.batch.made import some, write
from tests.support.episodes import encoded
from tests.support.pipeline import demo, pipeline

#: A small record, so that it is the number of lines that weighs.
_BODY = "hold-only"


class Peaks(NamedTuple):
    """``command`` and ``worker``: MiB, peak resident size of the command and of its largest process. Seconds."""

    lines: int
    command: float
    worker: float
    cpu: float
    wall: float

    def text(self) -> str:
        """For a person."""
        return (
            f"{self.lines:,} lines: command {self.command:.0f} MiB, largest worker {self.worker:.0f} MiB, "
            f"{self.wall:.0f} s, {1000 * self.cpu / self.lines:.2f} ms of CPU a line"
        )


#: Not RUSAGE_SELF for the command: after exec that still holds the peak of the process that started it.
_CHILD = """
import resource, sys
from pathlib import Path
from service.cli import main
status = main(sys.argv[1:])
(own,) = [line.split()[1] for line in Path("/proc/self/status").read_text().splitlines() if line.startswith("VmHWM:")]
print(own, resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss)
sys.exit(status)
"""


def peaks(folder: Path, number: int, processes: int = 2) -> Peaks:
    """Run the command once over so many lines; everything it writes is taken away again."""
    path = write(folder / f"{number}.ndjson", some(number, (_BODY,), grouped=False))
    out = folder / f"{number}.out"
    command = [sys.executable, "-c", _CHILD, "batch", str(path), "--output", str(out), "--processes", str(processes)]
    command += ["--pages", "no"]
    before, start = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    after, wall = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter() - start
    if done.returncode != 0 or f"{count(number, 'line')}: {number} reviewed" not in done.stderr:
        raise RuntimeError(done.stderr[-2000:])
    own, workers = (int(text) / 1024 for text in done.stdout.split())
    for made in sorted(out.iterdir()):
        made.unlink()
    out.rmdir()
    path.unlink()
    return Peaks(number, own, workers, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime, wall)


def review_cpu(rounds: int = 300) -> float:
    """Seconds of CPU of one review of such a line in this process, rendered."""
    body, line = encoded(demo(_BODY)), pipeline()
    start = time.process_time()
    for _ in range(rounds):
        review_json.render(line.review(body, "application/json", "default"))
    return (time.process_time() - start) / rounds


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--lines", type=int, nargs="+", default=[1_000, 10_000])
    parser.add_argument("--processes", type=int, default=len(os.sched_getaffinity(0)))
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        base = peaks(Path(folder), 1, arguments.processes)
        print(f"start-up: {base.cpu:.1f} s of CPU")
        for number in arguments.lines:
            alone = review_cpu()
            found = peaks(Path(folder), number, arguments.processes)
            ratio = (found.cpu - base.cpu) / number / alone
            print(f"{found.text()}; {ratio:.2f} times one review in process ({1000 * alone:.2f} ms)", flush=True)


if __name__ == "__main__":
    main()
