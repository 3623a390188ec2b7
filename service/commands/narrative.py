"""``restraint-review narrative``: what the families find in a text, without the text."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from service.settings import read_settings
from service.wording.headings import count

from . import loading
from .exit_status import OK, failed

if TYPE_CHECKING:
    from service.narrative.reader import Hit

#: As the contract has it.
LONGEST = 20_000


def register(commands: Any) -> None:
    """Add the command."""
    narrative = commands.add_parser(
        "narrative",
        help="what is found in the text of a narrative",
        description="Reads plain text by the families of rules/narrative. Shows families, places (Unicode code points) and "
        "the patterns of the rule files; never the text. Exit status: 0 every file was read, 2 one was not.",
    )
    narrative.add_argument("files", nargs="+", metavar="FILE", help="plain text in UTF-8, or - for standard input")
    narrative.add_argument("--json", action="store_true", help="as data, one entry a file")
    narrative.set_defaults(run=_run)


def _run(arguments: argparse.Namespace) -> int:
    reader = loading.rulebook(read_settings()).narrative
    status, out = OK, []
    for name in arguments.files:
        try:
            body = sys.stdin.buffer.read() if name == "-" else Path(name).read_bytes()
            text = body.decode("utf-8")
        except OSError as error:
            status = failed(f"{name}: cannot be opened: {error.strerror}")
            continue
        except UnicodeDecodeError:
            status = failed(f"{name}: not UTF-8")
            continue
        if len(text) > LONGEST:
            status = failed(f"{name}: a narrative has at most {LONGEST} characters")
            continue
        hits = [shown(hit) for hit in reader.read(text)]
        out.append({"file": name, "hits": hits})
        if not arguments.json:
            print(f"{name}: {count(len(hits), 'hit')}")
            for hit in hits:
                print(_line(hit))
    if arguments.json:
        print(json.dumps(out, indent=1, ensure_ascii=False))
    return status


def shown(hit: Hit) -> dict[str, Any]:
    """A hit as data: words of the rule files and places, nothing of the text."""
    modifier = hit.modifier
    return {
        "family": hit.family,
        "assertion": hit.assertion,
        "when": hit.when,
        "whose": hit.whose,
        "chars": _range(hit.chars),
        "pattern": hit.pattern,
        "modifier": None
        if modifier is None
        else {"means": modifier.means, "chars": _range(modifier.chars) if modifier.chars else None},
    }


def _range(chars: tuple[int, int]) -> dict[str, int]:
    return {"from": chars[0], "to": chars[1]}


def _line(hit: dict[str, Any]) -> str:
    chars, modifier = hit["chars"], hit["modifier"]
    because = f"  ({modifier['means']})" if modifier else ""
    place = f"{chars['from']}-{chars['to']}"
    return f"  {place:>11}  {hit['family']:20} {hit['assertion']:12} {hit['pattern']}{because}"
