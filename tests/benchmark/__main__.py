"""All measurements in one run: ``python -m tests.benchmark [--quick] [--write] [--only NAME ...]``.

Prints Markdown; ``--write`` puts it between the benchmark marks of
``FIGURES.md`` beside this file. Figures are CPU time unless they say otherwise, medians with
the lowest and highest round beside them; ratios are medians of the ratios
within a round. Needs the extra ``benchmark``; what is not installed is named
in place of its figure. Exit status 1 when engines or models do not give the
same results, or cost grows faster than the work.
"""

from __future__ import annotations

import argparse
import gc
import importlib.util
import json
import os
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from service import memory
from service.formats.fhir import read as fhir_reader
from service.formats.nemsis import read as nemsis_reader
from service.intake import episode_json, strict_json
from service.pipeline import Pipeline
from tests.benchmark import batches, charts, counts, engines, growth, http, models, stages
from tests.benchmark.episodes import SIZES, episode, variants
from tests.benchmark.parts import report as parts_report
from tests.benchmark.timing import Figure, each, interleaved, machine, table
from tests.support.written import put

FIGURES = Path(__file__).with_name("FIGURES.md")
MARK = "benchmark"


class Different(Exception):
    """What should be equal is not."""


@dataclass(frozen=True, slots=True)
class Effort:
    """How long to look: rounds, seconds a round for each thing, HTTP requests, reviews in a batch."""

    rounds: int
    seconds: float
    requests: int
    reviews: int


FULL, QUICK = Effort(5, 0.2, 2000, 1000), Effort(3, 0.05, 200, 200)


def installed(module: str) -> bool:
    """Whether a library of the extra is there."""
    return importlib.util.find_spec(module) is not None


def figures(found: dict[str, Figure], unit: Figure, beside: str) -> Iterator[list[str]]:
    """Rows of median, spread and ratio to one of them."""
    for name, figure in found.items():
        yield [
            name,
            f"{figure.median:.0f}",
            figure.spread,
            f"{figure.over(unit):.2f}" + (beside if figure is unit else ""),
        ]


# ---------------------------------------------------------------- the parts


def over_http(_: Pipeline, effort: Effort) -> str:
    """Worker CPU a request, beside a bare route."""
    text = (
        f"`POST /v1/reviews` beside a bare route that parses the same body and returns as many bytes, both behind the project's own "
        f"gunicorn settings with 2 workers; worker CPU (user + system) a request, {effort.requests} requests after 200, "
        f"{effort.rounds} interleaved rounds, 50 variants of every body (a quarter of the requests for charts in other formats).\n\n"
    )
    return text + table(http.HEAD, list(http.rows(effort.requests, effort.rounds)))


def http_parts(pipeline: Pipeline, effort: Effort) -> str:
    """Whose the time of a request is."""
    text = (
        "Both with clocks on their parts (`python -m tests.benchmark.parts`). What the framework takes beyond the bare route "
        "(hooks, error handling) counts as ours.\n\n"
    )
    return text + parts_report(pipeline, effort.requests // 2, effort.rounds)


def in_process(pipeline: Pipeline, effort: Effort) -> str:
    """A review in its stages."""
    subject, parts = stages.Subject(pipeline), []
    columns = {size: stages.measure(subject, stages.bodies(size), effort.rounds) for size in SIZES}
    rows = []
    for name in (*stages.STAGES, "sum", "whole"):
        row = [name]
        for found in columns.values():
            share = "" if name == "whole" else f"{found[name].over(found['sum']):.0%}"
            row += [f"{found[name].median:.0f}", found[name].spread, share]
        rows.append(row)
    head = ["µs a review"] + [text for size in SIZES for text in (f"{size} items", "lowest-highest", "share")]
    parts.append(table(head, rows))
    own = "facts", "engine", "evaluator", "review"
    for size, found in columns.items():
        parts.append(f"{size} items: {' + '.join(own)} {sum(found[name].median for name in own) / 1000:.2f} ms.")
    return "\n\n".join([parts[0], " ".join(parts[1:])])


def rule_engines(pipeline: Pipeline, effort: Effort) -> str:
    """The same rules and facts in other engines."""
    subject = stages.Subject(pipeline)
    rules = subject.decider.rules
    sheets = [pipeline.facts(pipeline.read(body, stages.MEDIA_TYPE).episode) for body in stages.bodies(60, 10)]
    flatten = engines.Flattener(rules)
    flats = [flatten(sheet.facts) for sheet in sheets]
    fired = [subject.fence.fire(sheet.facts) for sheet in sheets]
    definitions, fence = subject.decider._definitions, subject.fence
    written = [definitions.write(sheet.facts) for sheet in sheets]
    pairs = list(zip(sheets, fired, strict=True))
    runs: dict[str, Any] = {
        "engine (durable-rules behind the fence)": each(lambda sheet: fence.fire(sheet.facts), sheets),
        "of it in the C module": each(fence._evaluate, written),
        "evaluator, three-valued, given the engine's answer": each(lambda pair: subject.evaluate(*pair), pairs),
        "engine and evaluator": each(subject.decider.decide, sheets),
    }
    missing = []
    for name, (module, build) in engines.OTHERS.items():
        if not installed(module):
            missing.append(name)
            continue
        run = build(rules)
        if [run(flat) for flat in flats] != fired:
            raise Different(f"{name} does not find what the engine finds")
        runs[name] = each(run, flats)
    runs["making plain dicts for the others"] = each(lambda sheet: flatten(sheet.facts), sheets)
    found = interleaved(runs, effort.rounds, effort.seconds)
    best = "zen-engine, one expression a kind"
    unit = found.get(best) or found["engine and evaluator"]
    text = (
        f"{len(rules)} rules, {len(sheets[0].facts)} facts, {len(fired[0])} that fire; all engines give the same (rule, fact) pairs. "
        "The others get plain dicts made beforehand and answer true or false; the evaluator tells four outcomes apart for every rule.\n\n"
    )
    tail = f"\n\nNot installed: {', '.join(missing)}." if missing else ""
    return (
        text
        + table(("60 items", "µs a review", "lowest-highest", "ratio"), list(figures(found, unit, " (unit)")))
        + tail
    )


def intakes(_: Pipeline, effort: Effort) -> str:
    """Bytes to a checked object, beside two libraries, and the other formats."""
    libraries: dict[str, Callable[[bytes], Any]] = {}
    if installed("pydantic"):
        libraries["pydantic, generated models"] = models.pydantic_model().model_validate_json
    if installed("msgspec"):
        import msgspec

        libraries["msgspec, generated structs"] = msgspec.json.Decoder(models.msgspec_model()).decode
    parts = []
    for size in SIZES:
        documents = list(variants(episode(size), 20))
        sent = [json.dumps(document).encode() for document in documents]
        for name, read in libraries.items():
            if [models.plain(read(body)) for body in sent[:3]] != [
                models.plain(episode_json.read(body).episode) for body in sent[:3]
            ]:
                raise Different(f"{name} does not read what the service reads")
        runs: dict[str, Any] = {"this service, JSON": each(episode_json.read, sent)}
        runs |= {name: each(read, sent) for name, read in libraries.items()}
        if installed("pydantic"):
            if models.pydantic_and_digest(sent[0])[1] != episode_json.read(sent[0]).digest:
                raise Different("the digest beside pydantic is not the service's")
            runs["pydantic, with equal names refused and the digest"] = each(models.pydantic_and_digest, sent)
        runs["this service, strict path (whatever is not plainly good)"] = each(
            lambda body: episode_json.from_value(strict_json.loads(body)),
            sent,
        )
        if size == SIZES[0]:
            runs["this service, FHIR Bundle"] = each(
                fhir_reader.read, [charts.fhir(document) for document in documents[:5]]
            )
            runs["this service, NEMSIS"] = each(
                nemsis_reader.Reader().read, [charts.nemsis(document) for document in documents[:5]]
            )
        found = interleaved(runs, effort.rounds, effort.seconds)
        unit = found.get("pydantic, generated models") or found["this service, JSON"]
        parts.append(
            table((f"{size} items", "µs a body", "lowest-highest", "ratio"), list(figures(found, unit, " (unit)")))
        )
    text = (
        "Bytes to a checked object. The libraries check members, types, bounds, words and lengths; not pointers, equal names, ids, digest. "
        "One row adds to pydantic what the service also does about equal names (`json` with a hook) and digest (`orjson`, sorted, and SHA-256); "
        "pointers and ids are still missing there.\n\n"
    )
    return text + "\n\n".join(parts)


def batch(_: Pipeline, effort: Effort) -> str:
    """The batch command with one process and with two."""
    found = batches.measure(effort.reviews, min(3, effort.rounds))
    rows = [
        [
            str(count),
            *(
                f"{sorted(v)[len(v) // 2]:.{p}f} ({min(v):.{p}f}-{max(v):.{p}f})"
                for v, p in ((rate.per_second, 0), (rate.cpu_ms, 2))
            ),
        ]
        for count, rate in found.items()
    ]
    gain = [two / one for one, two in zip(found[1].per_second, found[2].per_second, strict=True)]
    text = f"`restraint-review batch` over {effort.reviews} episodes of 60 items, start-up taken off. Two processes over one: {sorted(gain)[len(gain) // 2]:.2f}.\n\n"
    return text + table(("processes", "reviews a second (wall)", "CPU ms a review"), rows)


def grows(pipeline: Pipeline, effort: Effort) -> str:
    """Cost against size."""
    parts = []
    items = growth.by_items(pipeline, rounds=effort.rounds)
    rules = growth.by_rules(pipeline, rounds=effort.rounds)
    for points, of, least, what in (
        (
            items,
            "items",
            300,
            "A whole review by timed items of the episode; kB: the most that Python held at one moment",
        ),
        (
            rules,
            "rules",
            50,
            "Engine and evaluator on the facts of 60 items by number of rules; kB: what one compiled rulebook keeps",
        ),
    ):
        slope = growth.exponent(points, least)
        if slope > growth.LINEAR:
            raise Different(f"cost by {of} grows with the power {slope:.2f}")
        parts.append(
            f"{what}. Grows with the power {slope:.2f} from {least} on (1 is linear).\n\n```\n{growth.plot(points, of)}\n```"
        )
    return "\n\n".join(parts)


def guard(pipeline: Pipeline, _: Effort) -> str:
    """The counts that CI holds."""
    found = {name: counts.count(pipeline, *body) for name, body in counts.BODIES.items()}
    rows = [[name.replace("_", " "), *(str(of[name]) for of in found.values())] for name in next(iter(found.values()))]
    return "What CI holds within a third:\n\n" + table(("count of one review, by items", *found), rows)


PARTS: dict[str, tuple[str, Callable[[Pipeline, Effort], str]]] = {
    "http": ("Over HTTP", over_http),
    "parts": ("Over HTTP, part by part", http_parts),
    "stages": ("In process", in_process),
    "engines": ("Rule engines", rule_engines),
    "intake": ("Intake", intakes),
    "batch": ("Batch", batch),
    "growth": ("As work grows", grows),
    "counts": ("Counts", guard),
}


def main() -> int:
    """Measure, print, and write on demand."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.benchmark", description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--quick", action="store_true", help="fewer and shorter rounds")
    parser.add_argument("--write", action="store_true", help="write the result into FIGURES.md")
    parser.add_argument("--only", nargs="+", choices=PARTS, help="these parts only; nothing can be written then")
    arguments = parser.parse_args()
    if arguments.write and arguments.only:
        parser.error("--write needs all parts")
    if arguments.write:
        put(FIGURES.read_text("utf-8"), MARK, "")  # before minutes of measuring
    os.nice(10)
    effort = QUICK if arguments.quick else FULL
    name = "python -m tests.benchmark" + (" --quick" if arguments.quick else "")
    said = [f"`{name}` on {machine()}, shared with other work: read ratios rather than times."]
    print(said[0], flush=True)
    pipeline = Pipeline.build()
    memory.keep_freed_memory()
    memory.leave_loaded_objects_alone()  # as the service runs
    for part in arguments.only or PARTS:
        title, run = PARTS[part]
        gc.collect()
        try:
            said.append(f"### {title}\n\n{run(pipeline, effort)}")
        except Different as different:
            print(f"{part}: {different}", file=sys.stderr)
            return 1
        print(f"\n{said[-1]}", flush=True)
    if arguments.write:
        FIGURES.write_text(put(FIGURES.read_text("utf-8"), MARK, "\n\n".join(said)), encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
