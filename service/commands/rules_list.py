"""``restraint-review rules list``: every rule on a line, or those that are asked for."""

from __future__ import annotations

import argparse
from typing import Any

from service.settings import read_settings

from . import loading
from .exit_status import OK, CommandFailed

#: Flag -> (part of a rule, list of the vocabulary with its words).
_FILTERS = {
    "phase": ("phase", "phases"),
    "concern": ("concern", "concerns"),
    "severity": ("severity", "severities"),
    "handler": ("handled_by", "handlers"),
    "kind": ("about", "kinds"),
}


def register(commands: Any) -> None:
    """Add the command."""
    listed = commands.add_parser("list", help="every rule on a line")
    for flag in _FILTERS:
        listed.add_argument(f"--{flag}", metavar="WORD", help=f"only rules of this {flag}")
    listed.set_defaults(run=_run)


def _run(arguments: argparse.Namespace) -> int:
    book = loading.rulebook(read_settings())
    wanted = {}
    for flag, (part, words) in _FILTERS.items():
        word = getattr(arguments, flag)
        if word is not None:
            known = getattr(book.vocabulary, words)
            if word not in known:
                raise CommandFailed(f"{flag} is one of {', '.join(known)}")
            wanted[part] = word
    for rule in book.rules:
        if all(getattr(rule, part) == word for part, word in wanted.items()):
            print(f"{rule.id}  {rule.phase:<11}  {rule.severity:<8}  {rule.title}")
    return OK
