"""``restraint-review measures``: quality measures over files of many episodes."""

from __future__ import annotations

import argparse
import json
import sys
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from service.settings import Settings

from . import many_episodes as many
from .exit_status import CommandFailed

if TYPE_CHECKING:
    from service.batch.tally import Tally
    from service.batch.verdicts import Verdicts


def register(commands: Any) -> None:
    """Add the command."""
    measures = commands.add_parser(
        "measures",
        help="quality measures over files of many episodes",
        description="What got better, what got worse and what to look at, beyond chance; rates for every published list and "
        "rule with intervals, run charts and funnels; harm as cases and the days between them; times. An episode names its "
        'group (a station, a unit; never a person) as {"extensions": {"group": "station-4"}}.',
    )
    many.add_files(measures)
    measures.add_argument("--profile", help="id of the profile")
    measures.add_argument(
        "--period", choices=("month", "week"), default="month", help="length of a period in trends (month)"
    )
    measures.add_argument(
        "--mark",
        nargs=2,
        action="append",
        default=[],
        metavar=("DAY", "WORDS"),
        help="a day on which something changed",
    )
    measures.add_argument(
        "--baseline", type=_day, metavar="DAY", help="freeze the medians of the periods up to this day (the first 12)"
    )
    measures.add_argument(
        "--verdicts",
        metavar="FILE",
        help="a table with the columns episode_ref, fingerprint and agreed (yes or no), such as findings.csv with one more",
    )
    measures.add_argument(
        "--charts",
        metavar="FOLDER",
        help="with html: list the charts behind each rate in a page beside it, with links into this folder of batch",
    )
    measures.add_argument("--format", choices=("json", "csv", "html"), default="json", help="of the result (json)")
    measures.add_argument("--output", metavar="FILE", help="where the result goes (standard output)")
    measures.set_defaults(run=many.guarded(_run))


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError("not a day such as 2026-07-01") from None


def _run(arguments: argparse.Namespace, settings: Settings) -> int:
    from service.batch import definitions, folder, jobs, measures

    try:
        marks = tuple((_day(day), words) for day, words in arguments.mark)
    except argparse.ArgumentTypeError as error:
        raise CommandFailed(f"--mark: {error}") from None
    if arguments.charts and (arguments.format != "html" or not arguments.output):
        raise CommandFailed("--charts needs --format html and --output")
    verdicts = _verdicts(arguments.verdicts)
    rules = many.rules_of(settings, settings.rules_dir, arguments.profile)
    try:
        names = folder.names_of(arguments.files) if arguments.charts else ()
    except ValueError as error:
        raise CommandFailed(f"{error}: their charts would have one name") from None
    job = jobs.Measures(rules, arguments.period, settings.max_body_bytes, verdicts, names)
    wanted = definitions.measures_of(rules.pipeline().rulebook)
    tally = job.tally(wanted)
    totals = many.work(arguments, job, lambda block, done: tally.merge(done.tally))
    look = measures.Look(arguments.period, marks, arguments.baseline)
    found = measures.document(tally, wanted, dict(rules.versions), look)
    beside = Path(arguments.output).with_suffix(".charts.html") if arguments.charts else None
    content = _written(found, arguments.format, beside)
    if arguments.output:
        from service.batch.store import store_of

        with store_of(arguments.output).write(arguments.output) as stream:
            stream.write(content)
        if beside is not None:
            with store_of(str(beside)).write(str(beside)) as stream:
                stream.write(_charts(found, tally, Path(arguments.charts), beside))
    else:
        sys.stdout.buffer.write(content)
        sys.stdout.buffer.flush()
    print(many.report(totals), file=sys.stderr)
    return many.status(totals)


def _verdicts(path: str | None) -> Verdicts | None:
    from service.batch import verdicts

    if path is None:
        return None
    try:
        return verdicts.read(Path(path).read_bytes())
    except verdicts.Unreadable as bad:
        raise CommandFailed(f"{path}, line {bad.line}: {bad}") from None


def _charts(found: dict[str, Any], tally: Tally, batch: Path, beside: Path) -> bytes:
    """The page of the charts behind each rate; a chart is a link where the batch has left its page."""
    import os

    from service.pages import measured_charts

    listed = {
        id_: [
            {**chart._asdict(), "page": os.path.relpath(page, beside.parent) if page.is_file() else None}
            for chart in charts
            if (page := batch / "pages" / f"{chart.file}.{chart.line}.html")
        ]
        for id_, charts in (tally.charts or {}).items()
    }
    return measured_charts.render(found, listed)


def _written(document: dict[str, Any], as_format: str, beside: Path | None) -> bytes:
    if as_format == "html":
        from service.pages import measures as page

        return page.render(document, charts=beside.name if beside else None)
    if as_format == "csv":
        from service.batch import measures_table

        return measures_table.to_csv(document)
    return json.dumps(document, indent=1, ensure_ascii=False).encode() + b"\n"
