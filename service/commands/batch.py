"""``restraint-review batch``: reviews and tables of files of many episodes."""

from __future__ import annotations

import argparse
import sys
from typing import TYPE_CHECKING, Any

from service.settings import Settings

from . import many_episodes as many
from .exit_status import CommandFailed

if TYPE_CHECKING:
    from service.batch.blocks import Block
    from service.batch.jobs import Done


def register(commands: Any) -> None:
    """Add the command."""
    batch = commands.add_parser(
        "batch",
        help="review files of many episodes",
        description="Reviews every line, and every chart of a NEMSIS document, on all cores and writes the reviews and "
        "two tables. Stopped or crashed, the same command goes on where it was. Exit status: 0 every line reviewed, "
        "1 some lines have no review (they are named), 2 not done.",
    )
    many.add_files(batch)
    batch.add_argument(
        "--output", required=True, metavar="FOLDER", help="where the results go; holds patient data afterwards"
    )
    batch.add_argument("--profile", help="id of the profile")
    batch.add_argument("--explain", action="store_true", help="say what decided each rule")
    batch.set_defaults(run=many.guarded(_run))


def _run(arguments: argparse.Namespace, settings: Settings) -> int:
    from service.batch import jobs, runner
    from service.review.build import Wanted

    try:
        names = runner.names_of(arguments.files)
    except ValueError as error:
        raise CommandFailed(f"{error}: their results would have one name") from None
    rules = many.rules_of(settings, settings.rules_dir, arguments.profile)
    try:
        parts = runner.prepare(arguments.output, names)
    except runner.AlreadyThere as there:
        raise CommandFailed(
            f"{arguments.output} holds the results of a batch ({there.name}). Choose another folder or move them."
        ) from None
    job = jobs.Reviews(rules, Wanted(explain=arguments.explain), parts, names, settings.max_body_bytes)
    made: list[tuple[int, str]] = []

    def keep(block: Block, done: Done) -> None:
        made.append((block.input, done.part))

    try:
        totals = many.work(arguments, job, keep)
    except KeyboardInterrupt:
        print("Stopped. What was finished is kept; the same command goes on from there.", file=sys.stderr)
        raise
    summary = {
        "versions": dict(rules.versions),
        "explain": arguments.explain,
        "files": list(names),
        "lines": many.counts_of(totals),
    }
    runner.finish(arguments.output, names, made, summary)
    print(f"{many.report(totals)} Results: {arguments.output}", file=sys.stderr)
    return many.status(totals)
