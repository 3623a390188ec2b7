"""``restraint-review rules facts``: what a rule may ask, with what makes it true."""

from __future__ import annotations

import argparse
import textwrap
from typing import Any

from service.settings import read_settings

from . import loading, screen
from .exit_status import OK, failed


def register(commands: Any) -> None:
    """Add the command."""
    facts = commands.add_parser("facts", help="what a rule may ask, of every kind or of one")
    facts.add_argument("kind", nargs="?", metavar="KIND", help="what the rule is about: limb, dose, episode ...")
    facts.set_defaults(run=_run)


def _run(arguments: argparse.Namespace) -> int:
    kinds = loading.rulebook(read_settings()).vocabulary.kinds
    if arguments.kind is None:
        for kind in kinds.values():
            print(f"{kind.name:<12}  {len(kind.attributes):>3} questions  {kind.doc}")
        print("One of them whole: restraint-review rules facts KIND")
        return OK
    if arguments.kind not in kinds:
        return failed(f"kind is one of {', '.join(kinds)}")
    kind = kinds[arguments.kind]
    print(kind.doc)
    print("missing, recorded and declined may be asked of what is marked *.")
    for attribute in kind.attributes.values():
        mark = "*" if attribute.from_record else " "
        line = f"{mark} {attribute.name}: {attribute.meaning}"
        print(textwrap.fill(line, screen.width(), subsequent_indent="      "))
    return OK
