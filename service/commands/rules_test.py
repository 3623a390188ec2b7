"""``restraint-review rules test``: the rules' own tests."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from service.resources import rules_directory
from service.settings import read_settings
from service.wording.headings import count

from . import loading
from .exit_status import FAULTS, OK, failed


def register(commands: Any) -> None:
    """Add the command."""
    test = commands.add_parser("test", help="run the rules' own tests")
    test.add_argument("paths", nargs="*", type=Path, metavar="PATH", help="only these rule files or folders")
    test.add_argument("--only", metavar="PREFIX", help="only rules whose id begins so")
    test.set_defaults(run=_run)


def _run(arguments: argparse.Namespace) -> int:
    settings = read_settings()
    directory = settings.rules_dir or rules_directory()
    outside = [path for path in arguments.paths if not path.resolve().is_relative_to(directory.resolve())]
    if len(outside) > 1 or (outside and not outside[0].is_dir()):
        return failed("outside the rulebook, one folder of the same shape can be tested at a time")
    from . import rule_checks

    pipeline = loading.pipeline(settings, extra=outside[0] if outside else None)
    names = {file.name for path in arguments.paths for file in ([path] if path.is_file() else path.rglob("*.yaml"))}
    wanted = [
        rule.id
        for rule in pipeline.rulebook.rules
        if rule.id.startswith(arguments.only or "") and (not arguments.paths or f"{rule.id}-{rule.name}.yaml" in names)
    ]
    # The families of the narrative were proved by their own examples when they were loaded.
    proved = [name for name in pipeline.rulebook.narrative.families if f"{name}.yaml" in names or not arguments.paths]
    told = " and the families of the narrative" if proved and not arguments.only else ""
    if not wanted and not told:
        return failed("no rule is asked for")
    failures = rule_checks.run(pipeline, wanted) if wanted else []
    print("\n".join([*failures, f"{count(len(wanted), 'rule')}{told} tested, {count(len(failures), 'failure')}"]))
    return FAULTS if failures else OK
