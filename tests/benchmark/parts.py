"""Where the CPU time of one review over HTTP goes, and whose it is: ``python -m tests.benchmark.parts``.

``[--requests 1000] [--rounds 7]``. The service and the bare route run as in ``tests.benchmark.http``, each with clocks
(``tests.benchmark.timed``): what is neither inside the application nor measured in it is gunicorn's. The bare route
shows the least that Flask takes; what the application takes beyond that and beyond its pipeline is our own layer. The
same pipeline is measured in this process, one review after the other: what it takes more in a worker is not work, but
caches that other processes have filled in between (two such loops on one core slow each other down by a quarter).
"""

from __future__ import annotations

import argparse
import http.client
import json
import threading
import time
from collections import Counter
from collections.abc import Mapping

from service import memory
from service.pipeline import Pipeline
from tests.benchmark import stages, timed
from tests.benchmark.http import Server, bodies_of, cpu, send, serving
from tests.benchmark.timing import Figure, machine, table

#: Part -> microseconds a request in one round.
Round = Mapping[str, float]


def split(full: Round, bare: Round) -> dict[str, tuple[float, str]]:
    """Part -> microseconds and whose they are. Together they are the whole of ``full``."""
    flask = bare["app"] - bare["reader"]
    own_pipeline = full["pipeline"] - full["engine"] - full["marshmallow"]
    return {
        "sockets, HTTP, threads": (full["whole"] - full["app"], "gunicorn"),
        "routing, request and response objects, as in the bare route": (flask, "Flask"),
        "the rest of the application: limits, negotiation, log, metrics": (
            full["app"] - full["pipeline"] - full["writing"] - flask,
            "ours, hooks of Flask",
        ),
        "pipeline: intake, facts, evaluator, review": (own_pipeline, "ours"),
        "pipeline: the engine's C module": (full["engine"], "durable-rules"),
        "pipeline: schemas (a body that is plainly good needs none)": (full["marshmallow"], "marshmallow"),
        "writing the answer": (full["writing"], "orjson"),
    }


def one_round(server: Server, bodies: list[bytes], requests: int) -> Round:
    """Microseconds a request: the ``whole`` of the workers, and the parts they tell."""
    total: Counter[str] = Counter()
    lock = threading.Lock()

    def hear(answer: http.client.HTTPResponse) -> None:
        with lock:
            total.update(json.loads(answer.headers[timed.HEADER]))

    before = cpu(server.pid)
    send(server.port, bodies, requests, name="answer", hear=hear)
    total["whole"] = round((cpu(server.pid) - before) * 1e9)
    # A part that is never reached is not told.
    return {part: total[part] / requests / 1000 for part in {*total, "engine", "marshmallow"}}


def report(pipeline: Pipeline, requests: int, rounds: int) -> str:
    """A table and what stands beside it. Starts both servers and ends them."""
    subject, bodies = stages.Subject(pipeline), bodies_of(60)
    size = len(subject.whole(bodies[0]))
    full: list[Round] = []
    bare: list[Round] = []
    alone: list[float] = []
    with (
        serving(["tests.benchmark.timed", "full"]) as service,
        serving(["tests.benchmark.timed", "bare"], {"BARE_BYTES_answer": str(size)}) as other,
    ):
        for server in (service, other):
            send(server.port, bodies, 200, name="answer")
        for _ in range(rounds):
            full.append(one_round(service, bodies, requests))
            bare.append(one_round(other, bodies, requests))
            start = time.process_time()
            for body in bodies:
                subject.whole(body)
            alone.append((time.process_time() - start) / len(bodies) * 1e6)
    splits = [split(*pair) for pair in zip(full, bare, strict=True)]
    whole = Figure(tuple(each["whole"] for each in full))
    rows = []
    for name, (_, whose) in splits[0].items():
        part = Figure(tuple(each[name][0] for each in splits))
        rows.append([name, f"{part.median:.0f}", part.spread, f"{part.over(whole):.1%}", whose])
    rows.append(["the whole, of the worker processes", f"{whole.median:.0f}", whole.spread, "", ""])
    middle = {part: Figure(tuple(each[part] for each in bare)).median for part in ("whole", "app", "reader")}
    between = Figure(tuple(each["pipeline"] + each["writing"] for each in full)).median
    hot = Figure(tuple(alone))
    return (
        table(("60 items, µs of CPU a request", "µs", "lowest-highest", "share", "whose"), rows)
        + f"\n\nThe bare route: {middle['whole']:.0f} µs, of which gunicorn {middle['whole'] - middle['app']:.0f}, "
        f"Flask {middle['app'] - middle['reader']:.0f}, Flask's JSON reader {middle['reader']:.0f}. "
        f"Pipeline and writing in this process, one review after the other: {hot.median:.0f} µs ({hot.spread}); "
        f"in the worker {between:.0f}. It is the same work: processes that share cores empty each other's caches."
    )


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--requests", type=int, default=1000)
    parser.add_argument("--rounds", type=int, default=7)
    arguments = parser.parse_args()
    pipeline = Pipeline.build()
    memory.keep_freed_memory()
    memory.leave_loaded_objects_alone()
    print(f"{machine()}; 2 workers\n\n{report(pipeline, arguments.requests, arguments.rounds)}")


if __name__ == "__main__":
    main()
