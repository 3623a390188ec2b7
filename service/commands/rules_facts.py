"""``restraint-review rules facts``: what a rule may ask, with what makes it true."""

from __future__ import annotations

import argparse
import textwrap
from typing import TYPE_CHECKING, Any

from service.settings import read_settings

from . import loading, screen
from .exit_status import OK, failed

if TYPE_CHECKING:
    from service.rulebook.vocabulary import Attribute


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
        line = f"{mark} {attribute.name}: {meaning(attribute)}"
        print(textwrap.fill(line, screen.width(), subsequent_indent="      "))
    return OK


def meaning(attribute: Attribute) -> str:
    """What an attribute says, in words: when it is true, which words it has, or in which unit it counts."""
    if attribute.type == "bool" and attribute.from_record:
        return f"{attribute.label}, as charted; of a time, a text or an id only whether there is one"
    if attribute.type == "bool":
        return f"true when {attribute.label}"
    if attribute.type == "enum":
        return f"{attribute.label}; one of {', '.join(sorted(attribute.values))}"
    return f"{attribute.label}, in {attribute.unit}" if attribute.unit else attribute.label
