"""``restraint-review measures``: quality measures over files of many episodes."""

from __future__ import annotations

import argparse
import json
import sys
from typing import Any

from service.settings import Settings

from . import many_episodes as many


def register(commands: Any) -> None:
    """Add the command."""
    measures = commands.add_parser(
        "measures",
        help="quality measures over files of many episodes",
        description="Documentation rates for every rule and published list, with intervals, trends and funnels, and "
        'times. An episode names its group (a station, a unit; never a person) as {"extensions": {"group": "station-4"}}.',
    )
    many.add_files(measures)
    measures.add_argument("--profile", help="id of the profile")
    measures.add_argument(
        "--period", choices=("month", "week"), default="month", help="length of a period in trends (month)"
    )
    measures.add_argument("--format", choices=("json", "csv", "html"), default="json", help="of the result (json)")
    measures.add_argument("--output", metavar="FILE", help="where the result goes (standard output)")
    measures.set_defaults(run=many.guarded(_run))


def _run(arguments: argparse.Namespace, settings: Settings) -> int:
    from service.batch import definitions, jobs, measures

    rules = many.rules_of(settings, settings.rules_dir, arguments.profile)
    job = jobs.Measures(rules, arguments.period, settings.max_body_bytes)
    wanted = definitions.measures_of(rules.pipeline().rulebook)
    tally = measures.Tally(len(wanted))
    totals = many.work(arguments, job, lambda block, done: tally.merge(done.tally))
    content = _written(measures.document(tally, wanted, dict(rules.versions), arguments.period), arguments.format)
    if arguments.output:
        from service.batch.store import store_of

        with store_of(arguments.output).write(arguments.output) as stream:
            stream.write(content)
    else:
        sys.stdout.buffer.write(content)
        sys.stdout.buffer.flush()
    print(many.report(totals), file=sys.stderr)
    return many.status(totals)


def _written(document: dict[str, Any], as_format: str) -> bytes:
    if as_format == "html":
        from service.pages import measures as page

        return page.render(document)
    if as_format == "csv":
        from service.batch import measures

        return measures.to_csv(document)
    return json.dumps(document, indent=1, ensure_ascii=False).encode() + b"\n"
