"""``restraint-review rules sources``: every document that is cited, how old it is, and what rests on it."""

from __future__ import annotations

import argparse
import re
from collections import defaultdict
from typing import TYPE_CHECKING, Any

from service.settings import read_settings
from service.wording.headings import count

from . import loading
from .exit_status import OK, failed

if TYPE_CHECKING:
    from service.rulebook.load import Rulebook

_YEAR = re.compile(r"(?:19|20)\d\d")


def register(commands: Any) -> None:
    """Add the command."""
    sources = commands.add_parser("sources", help="every document that is cited, its age and what rests on it")
    sources.add_argument("key", nargs="?", metavar="KEY", help="one of them, with every rule and number")
    sources.set_defaults(run=_run)


def _run(arguments: argparse.Namespace) -> int:
    book = loading.rulebook(read_settings())
    resting = rests(book)
    if arguments.key is not None:
        if arguments.key not in book.sources:
            return failed(f"no source has the key {arguments.key}")
        source = book.sources[arguments.key]
        print(f"{source['title']}\n{source['publisher']}, {source['edition']}")
        if "note" in source:
            print(source["note"])
        print("\n".join(resting[arguments.key]) or "Nothing rests on it.")
        return OK
    newest = max(year for year in map(_year, book.sources.values()) if year)
    for key, source in sorted(book.sources.items(), key=lambda each: (_year(each[1]), each[0])):
        year = _year(source)
        age = f"{newest - year:>2} a older than the newest" if year else "   no year is known"
        print(f"{key:<24}  {year or '':<4}  {age:<26}  {count(len(resting[key]), 'use')}  {source['title']}")
        if "note" in source:
            print(f"{'':<24}  {source['note']}")
    return OK


def _year(source: Any) -> int:
    found = _YEAR.findall(str(source["edition"]))
    return int(found[-1]) if found else 0


def rests(book: Rulebook) -> dict[str, list[str]]:
    """Key of a source -> what rests on it: rules with what it supports, statements, and numbers of profiles."""
    from service.rulebook.profiles import chosen_sources

    out: dict[str, list[str]] = defaultdict(list)
    for rule in book.rules:
        for source in rule.sources:
            out[source.key].append(f"{rule.id} {source.supports}: {source.locator}")
    for name, fact in book.facts.items():
        out[fact["source"]].append(f"{name}: {fact['says']}")
    for profile in book.profiles.values():
        for number, key in chosen_sources(profile).items():
            out[key].append(f"profile {profile.id}: {number}")
    return out
