"""``restraint-review rules show``: one rule, whole."""

from __future__ import annotations

import argparse
import json
from typing import Any

from service.settings import read_settings

from . import loading, screen
from .exit_status import OK, failed


def register(commands: Any) -> None:
    """Add the command."""
    show = commands.add_parser("show", help="one rule, whole")
    show.add_argument("rule", metavar="ID", help="id or name")
    show.add_argument("--json", action="store_true", help="as data")
    show.set_defaults(run=_run)


def _run(arguments: argparse.Namespace) -> int:
    from service.pages import terminal
    from service.rulebook import catalogue

    # All of it, not one file: an id or a name leads to a rule by the redirects, and an agency's own rules may hold it.
    document = catalogue.rule_document(loading.rulebook(read_settings()), arguments.rule)
    if document is None:
        return failed("no rule has this id or name")
    if arguments.json:
        print(json.dumps(document, indent=2, ensure_ascii=False))
    else:
        print(terminal.rule(document, screen.width()), end="")
    return OK
