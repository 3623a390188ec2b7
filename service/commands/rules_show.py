"""``restraint-review rules show``: one rule, or one family of the narrative, whole."""

from __future__ import annotations

import argparse
import json
from typing import Any

from service.settings import read_settings

from . import loading, screen
from .exit_status import OK, failed


def register(commands: Any) -> None:
    """Add the command."""
    show = commands.add_parser("show", help="one rule, or one family of the narrative, whole")
    show.add_argument("rule", metavar="ID", help="id or name of a rule, or a family")
    show.add_argument("--json", action="store_true", help="as data")
    show.set_defaults(run=_run)


def _run(arguments: argparse.Namespace) -> int:
    from service.pages import terminal
    from service.rulebook import catalogue

    # All of it, not one file: an id or a name leads to a rule by the redirects, and an agency's own rules may hold it.
    book = loading.rulebook(read_settings())
    document = catalogue.rule_document(book, arguments.rule)
    family = catalogue.family_document(book, arguments.rule)
    if document is None and family is None:
        return failed("no rule or family has this id or name")
    if arguments.json:
        print(json.dumps(document or family, indent=2, ensure_ascii=False))
    elif document is not None:
        print(terminal.rule(document, screen.width()), end="")
    elif family is not None:
        print(_family(family))
    return OK


def _family(family: dict[str, Any]) -> str:
    lines = [f"{family['family']}: {family['says']}"]
    for part, listed in family.items():
        if isinstance(listed, list) and listed:
            lines += ["", part.replace("_", " "), *(f"  {entry}" for entry in listed)]
    return "\n".join(lines)
