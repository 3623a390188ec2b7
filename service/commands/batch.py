"""``restraint-review batch``: reviews, tables and a worklist of files of many episodes."""

from __future__ import annotations

import argparse
import sys
from typing import TYPE_CHECKING, Any

from service.settings import Settings
from service.wording.headings import count

from . import many_episodes as many
from .exit_status import CommandFailed

if TYPE_CHECKING:
    from service.batch.blocks import Block
    from service.batch.folder import Folder
    from service.batch.jobs import Done, Rules

#: More charts than this get no page each unless it is asked for: a page is about 100 kB.
MOST_PAGES = 1_000


def register(commands: Any) -> None:
    """Add the command."""
    batch = commands.add_parser(
        "batch",
        help="review files of many episodes",
        description="Reviews every line, and every chart of a NEMSIS document, on all cores and writes the reviews, two "
        "tables, a worklist with the worst first, and a page for each chart. Further files may go into the same folder; "
        "what is in it is not done again. Stopped or crashed, the same command goes on where it was. Exit status: 0 every "
        "line reviewed, 1 some lines have no review (they are named), 2 not done.",
    )
    many.add_files(batch)
    batch.add_argument(
        "--output", required=True, metavar="FOLDER", help="where the results go; holds patient data afterwards"
    )
    batch.add_argument("--profile", help="id of the profile")
    batch.add_argument("--explain", action="store_true", help="say what decided each rule")
    batch.add_argument(
        "--pages", choices=("yes", "no"), help=f"write a page for each chart (yes for at most {MOST_PAGES:,} lines)"
    )
    batch.set_defaults(run=many.guarded(_run))


def _run(arguments: argparse.Namespace, settings: Settings) -> int:
    from service.batch import folder, jobs, runner
    from service.review.build import Wanted

    try:
        names = folder.names_of(arguments.files)
    except ValueError as error:
        raise CommandFailed(f"{error}: their results would have one name") from None
    rules = many.rules_of(settings, settings.rules_dir, arguments.profile)
    try:
        into = folder.Folder(arguments.output, dict(rules.versions), explain=arguments.explain)
        fresh = into.fresh(arguments.files, names)
        names = folder.names_of(fresh)
        into.prepare(names)
    except folder.NotOurs as reason:
        raise CommandFailed(str(reason)) from None
    if there := len(arguments.files) - len(fresh):
        print(f"{count(there, 'file')} in the folder already: not done again.", file=sys.stderr)
    pages = arguments.pages == "yes" or (arguments.pages is None and runner.count_lines(fresh) <= MOST_PAGES)
    job = jobs.Reviews(
        rules,
        Wanted(explain=arguments.explain),
        into.parts,
        names,
        settings.max_body_bytes,
        into.pages if pages else None,
    )
    made: list[tuple[str, str]] = []
    of_file = {name: runner.Totals() for name in names}

    def keep(block: Block, done: Done) -> None:
        made.append((names[block.input], done.part))
        of_file[names[block.input]].add(done, block.path)

    arguments.files = fresh
    try:
        totals = many.work(arguments, job, keep)
    except KeyboardInterrupt:
        print("Stopped. What was finished is kept; the same command goes on from there.", file=sys.stderr)
        raise
    into.add(
        [
            {"file": name, "sha256": folder.digest(path), **many.counts_of(of_file[name])}
            for path, name in zip(fresh, names, strict=True)
        ],
        made,
    )
    _worklist(into, rules)
    print(f"{many.report(totals)} Results: {arguments.output}", file=sys.stderr)
    return many.status(totals)


def _worklist(into: Folder, rules: Rules) -> None:
    from service.batch import folder, worklist
    from service.pages import worklist as page

    concerns = rules.pipeline().rulebook.vocabulary.concerns
    found = worklist.document(into.episodes(), into.files, concerns, dict(rules.versions))
    into.write(folder.WORKLIST, worklist.to_csv(found))
    into.write(folder.WORKLIST_PAGE, page.render(found))
