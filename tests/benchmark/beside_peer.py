"""The service and the peer side by side: ``python -m tests.benchmark.beside_peer [--reviews N] [--http [--rounds N]]``.

Without ``--http``: instructions a review in process, as callgrind counts them, by part. Of the service the parts that
the peer does not have are told apart: the second decider (durable-rules), the canonical form of the body with its
digest, and the fingerprints. ``peer.py`` says what both share and what else the service does more.

With ``--http``: CPU of the worker processes a request, two workers each (gunicorn with the service's own settings;
uvicorn with uvloop and httptools and without an access log), both running all the time, in interleaved rounds.
"""

from __future__ import annotations

import argparse
import collections
import functools
import hashlib
import statistics
import subprocess
import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from typing import Any

from service.intake import fast_reader
from service.pipeline import Pipeline
from service.review.instances import fingerprint
from service.server import process
from service.settings import PREFIX
from tests.benchmark import http, peer_reading
from tests.benchmark.episodes import SIZES
from tests.benchmark.instructions import WARM, Counted, compiled, count_parts, counting, measure
from tests.benchmark.peer import Peer
from tests.benchmark.stages import PROFILE, Subject, bodies
from tests.benchmark.timing import machine, table

# ---------------------------------------------------------------- instructions


def _warmed(run: Callable[[bytes], Any], number: int) -> dict[int, list[bytes]]:
    """The bodies to count by size, once the interpreter has met others of them."""
    sent = {size: bodies(size, WARM + number) for size in SIZES}
    for size, warm in zip(SIZES, (WARM, 5), strict=True):
        collections.deque(map(run, sent[size][:warm]), 0)
    return {size: every[WARM:] for size, every in sent.items()}


def count_service(library: str, number: int) -> None:
    """Run under callgrind: the service's reviews, whole and by part."""
    own = Subject(Pipeline.build(profiles=[PROFILE]))
    warmed = _warmed(lambda body: (own.stages(body, lambda _: None), own.whole(body)), number)
    counter = counting(library)
    for size, sent in warmed.items():
        counted = functools.partial(_counted, counter, size)
        reviews = count_parts(own, sent, counted)
        parsed = list(map(fast_reader._decode, sent))
        counted("digests", lambda body: hashlib.sha256(fast_reader._encode(body)).hexdigest(), parsed)
        counted("fingerprints", fingerprints, reviews)


def _counted(counter: Counted, size: int, part: str, run: Callable[..., Any], given: Iterable[Any]) -> list[Any]:
    return counter(f"{size}:{part}", run, given)


def fingerprints(review: Any) -> list[str]:
    """Those of one review, made again."""
    return [
        fingerprint(one.entry.rule, one.fact, [place.by_ids()[0] for place in one.places])
        for found in review.found.values()
        for one in found
    ]


def count_peer(library: str, number: int) -> None:
    """Run under callgrind: the peer's reviews, whole and by part."""
    own = Peer()
    warmed, counter = _warmed(own.review, number), counting(library)
    for size, sent in warmed.items():
        counted = functools.partial(_counted, counter, size)
        counted("whole", own.review, sent)
        read = counted("pydantic", peer_reading.read, sent)
        sheets = counted("facts", own.facts, read)
        fired = counted("zen", lambda sheet: own.fire(sheet.facts), sheets)
        counted("answer", lambda parts: own.answer(*parts), list(zip(read, sheets, fired, strict=True)))


#: Part of the service -> (part that is counted, those counted inside it that the peer has not), and its like in the peer.
_ROWS = (
    ("intake, without digest", "intake", ("digests",), "pydantic"),
    ("facts", "facts", (), "facts"),
    ("evaluator", "evaluator", (), "zen"),
    ("review, without fingerprints", "review", ("fingerprints",), "answer"),
    ("JSON", "presentation", (), None),
    ("engine (durable-rules, the second decider)", "engine", (), None),
    ("canonical form and digest", "digests", (), None),
    ("fingerprints", "fingerprints", (), None),
)
MORE = ("engine", "digests", "fingerprints")


def instructions(number: int) -> str:
    """The table of parts."""
    rows: list[list[str]] = [[name] for name, *_ in _ROWS]
    rows += [["whole"], ["whole, without second decider and digests"], ["service / peer, whole"]]
    rows += [["service without second decider and digests / peer"]]
    head = ["million instructions a review"]
    with compiled() as library:
        every, others = (
            measure(f"from tests.benchmark.beside_peer import {one}; {one}({str(library)!r}, {number})", number)
            for one in ("count_service", "count_peer")
        )
    for size in SIZES:
        head += [f"{size} items: service", f"{size} items: peer"]
        ours, theirs = (
            {name.partition(":")[2]: count for name, count in found.items() if name.startswith(f"{size}:")}
            for found in (every, others)
        )
        left = ours["whole"] - sum(ours[name] for name in MORE)
        cells = [
            (f"{ours[part] - sum(ours[name] for name in less):.2f}", like and f"{like}: {theirs[like]:.2f}")
            for _, part, less, like in _ROWS
        ]
        cells += [(f"{ours['whole']:.2f}", f"{theirs['whole']:.2f}"), (f"{left:.2f}", f"{theirs['whole']:.2f}")]
        cells += [(f"{ours['whole'] / theirs['whole']:.2f}", ""), (f"{left / theirs['whole']:.2f}", "")]
        for row, pair in zip(rows, cells, strict=True):
            row += [cell or "-" for cell in pair]
    return table(head, rows)


# ---------------------------------------------------------------- over HTTP


@contextmanager
def peer_serving() -> Iterator[http.Server]:
    """The peer behind uvicorn with two workers, ended when the block is left."""
    port = process.free_port()
    options = "--factory --workers 2 --loop uvloop --http httptools --ws none --lifespan off --no-access-log"
    # On a busy machine a worker that loads the rulebook does not answer within the 5 s that its supervisor gives it.
    options += f" --timeout-worker-healthcheck 600 --log-level warning --port {port}"
    child = subprocess.Popen([sys.executable, "-m", "uvicorn", "tests.benchmark.peer:served", *options.split()])
    try:
        process.wait_ready(f"http://127.0.0.1:{port}", child)
        yield http.Server(child.pid, port)
    finally:
        process.end(child)


def over_http(requests: int, rounds: int) -> str:
    """The table of CPU a request, and every round."""
    rows, notes = [], []
    with process.running({f"{PREFIX}WORKERS": "2"}, stderr=subprocess.DEVNULL) as (base, child), peer_serving() as peer:
        service = http.Server(child.pid, int(base.rsplit(":", 1)[1]))
        for size in SIZES:
            sent = http.Bodies(f"{size} items", http.JSON, http.bodies_of(size))
            found = http.measure(service, peer, sent, requests, rounds)
            ours, theirs = found["full_ms"], found["bare_ms"]
            ratios = [a / b for a, b in zip(ours, theirs, strict=True)]
            rows.append([sent.name, *map(_told, (ours, theirs, ratios))])
            for name, each in (("service", ours), ("peer", theirs)):
                notes.append(f"{sent.name}, {name}, every round: {', '.join(f'{one:.2f}' for one in each)}")
    head = ("CPU ms a request, median (lowest-highest)", "service", "peer", "service / peer")
    return "\n".join([table(head, rows), "", *notes])


def _told(rounds: list[float]) -> str:
    return f"{statistics.median(rounds):.2f} ({min(rounds):.2f}-{max(rounds):.2f})"


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--reviews", type=int, default=10, help="that are counted of each size")
    parser.add_argument("--http", action="store_true")
    parser.add_argument("--requests", type=int, default=400, help="a round, with --http")
    parser.add_argument("--rounds", type=int, default=9, help="with --http")
    given = parser.parse_args()
    if given.http:
        print(f"{machine()}; 2 workers each, {given.requests} requests a round, {given.rounds} interleaved rounds")
        print(over_http(given.requests, given.rounds))
    else:
        print(f"{given.reviews} reviews of each size, after {WARM}")
        print(instructions(given.reviews))


if __name__ == "__main__":
    main()
