"""``restraint-review compare``: the same episodes under two profiles or two rulesets."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from service.settings import Settings

from . import many_episodes as many
from . import screen
from .exit_status import CommandFailed

if TYPE_CHECKING:
    from service.batch.jobs import Rules


def register(commands: Any) -> None:
    """Add the command."""
    compare = commands.add_parser(
        "compare",
        help="the same episodes under two profiles or two rulesets",
        description="Which findings appear, vanish or change severity, rule by rule, with records to look at.",
    )
    many.add_files(compare)
    compare.add_argument("--left", metavar="PROFILE", help="id of the profile on the left")
    compare.add_argument("--right", metavar="PROFILE", help="id of the profile on the right")
    compare.add_argument("--left-rules", type=Path, metavar="FOLDER", help="rulebook on the left (the one in force)")
    compare.add_argument("--right-rules", type=Path, metavar="FOLDER", help="rulebook on the right (the one in force)")
    compare.add_argument("--json", action="store_true", help="print the comparison as JSON")
    compare.set_defaults(run=many.guarded(_run))


def _run(arguments: argparse.Namespace, settings: Settings) -> int:
    from service.batch import compare, jobs

    if (arguments.left, arguments.left_rules) == (arguments.right, arguments.right_rules):
        raise CommandFailed("both sides are the same: name another profile or another rulebook on one of them")
    left = _side("left", settings, arguments.left_rules, arguments.left)
    right = _side("right", settings, arguments.right_rules, arguments.right)
    tally = compare.Tally()
    job = jobs.Compare(left, right, settings.max_body_bytes)
    totals = many.work(arguments, job, lambda block, done: tally.merge(done.tally))
    sides = [(rules.pipeline(), rules.profile) for rules in (left, right)]
    document = compare.document(tally, sides[0], sides[1], arguments.files)
    if arguments.json:
        print(json.dumps(document, indent=1, ensure_ascii=False))
    else:
        from service.pages import comparison

        print(comparison.render(document, max(40, min(screen.width(), 100))), end="")
    print(many.report(totals), file=sys.stderr)
    return many.status(totals)


def _side(name: str, settings: Settings, rules: Path | None, profile: str | None) -> Rules:
    try:
        return many.rules_of(settings, rules or settings.rules_dir, profile)
    except CommandFailed as failure:
        raise CommandFailed(*(f"{name}: {line}" for line in failure.lines)) from None
