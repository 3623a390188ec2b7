"""``restraint-review rules new``: a rule file that fails its tests until it is filled in."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from service.resources import rules_directory
from service.settings import read_settings

from . import loading
from .exit_status import OK, failed

if TYPE_CHECKING:
    from service.rulebook.load import Rulebook

_TEMPLATE = """\
id: {id}
name: {name}
phase: {phase}
concern: {concern}
category: {category}
handled_by: {handler}
about: {about}
due: closing
severity: {{default: {severity}, allowed: [{allowed}]}}
locked: false
revision: 1
title: {blank} the problem in a few words ({id})
parameters: {{}}
applies_when: {{all: [{{{word}: {{eq: {value}}}}}]}}
fails_when: {{any: [{{{word}: {{ne: {value}}}}}]}}
message: "{blank} what the record shows or lacks, in one short sentence."
{tell_now}remediation: {blank} what to do. {remediation}
why: {blank} the duty or the danger, in two sentences.
{asked}answers: []
sources:
  - {{key: common-practice, locator: {blank}, supports: {blank}, confidence: practice}}
examples:
  # One for each outcome, and for each limit: just over, exactly on it, just under. What is asked and left out is not known.
  - {{name: {blank} asked and wrong, facts: {{{word}: {value}}}, expect: finding}}
  - {{name: {blank} asked and right, facts: {{{word}: {value}}}, expect: clear}}
  - {{name: {blank} not asked, facts: {{{word}: {value}}}, expect: not_applicable}}
  - {{name: {blank} not known, facts: {{}}, expect: not_assessable}}
  - name: {blank} the whole way
    patch: []
    expect: finding
    pointers: []
history:
  - {{revision: 1, release: {release}, change: First release.}}
"""

_COMPLETENESS = "If it was done, add it as a late entry with the time it was done. If not, chart that and why."
_SAFETY = "The entry stays as charted. Review needs to know why. Tell the next clinician what and when."
_TELL_NOW = "tell_now: '{blank} what is charted {{at}}. Check or tell what.'\n"
_ASKED = "asked_because: {blank} what the next clinician needs the entry for.\n"


def register(commands: Any) -> None:
    """Add the command."""
    new = commands.add_parser("new", help="write a rule file to be filled in")
    new.add_argument("name", help="kebab-case, names the problem")
    new.add_argument("--phase", required=True, help="the folder it lies in")
    new.add_argument("--kind", "--about", dest="about", required=True, metavar="KIND", help="what it looks at")
    new.add_argument("--concern", default="record", help="what it is about for the patient (record)")
    new.add_argument("--severity", default="info", help="info, warning or critical (info)")
    new.add_argument("--handler", default="measures", help="author, reviewer or measures (measures)")
    new.add_argument("--into", type=Path, metavar="DIR", help="directory of the rulebook (default: the one in use)")
    new.set_defaults(run=_run)


def _run(arguments: argparse.Namespace) -> int:
    settings = read_settings()
    book = loading.rulebook(settings)
    into = arguments.into or settings.rules_dir or rules_directory()
    try:
        path = scaffold(
            book, into, arguments.name, arguments.phase, arguments.about,
            arguments.concern, arguments.severity, arguments.handler,
        )  # fmt: skip
    except FileExistsError:
        return failed("the file is there already")
    except OSError as error:
        return failed(f"{into}: {type(error).__name__}")
    except ValueError as error:
        return failed(str(error))
    print(f"{path}\nFill it in, then: restraint-review rules test --only {path.name[:7]}")
    return OK


def next_id(book: Rulebook) -> str:
    """The next free number of an agency, from 9000 on; it means nothing."""
    return f"RR-{max(8999, *(rule.number for rule in book.rules)) + 1:04d}"


def scaffold(
    book: Rulebook,
    directory: Path,
    name: str,
    phase: str,
    about: str,
    concern: str = "record",
    severity: str = "info",
    handler: str = "measures",
) -> Path:
    """Write the file and return its path. Raises ValueError naming what does not fit, FileExistsError, OSError."""
    from service.rulebook.rule_file import PLACEHOLDER

    words = book.vocabulary
    if phase not in words.phases:
        raise ValueError(f"phase is one of {', '.join(words.phases)}")
    if about not in words.kinds:
        raise ValueError(f"about is one of {', '.join(words.kinds)}")
    for flag, word, known in (
        ("concern", concern, words.concerns),
        ("severity", severity, words.severities),
        ("handler", handler, words.handlers),
    ):
        if word not in known:
            raise ValueError(f"{flag} is one of {', '.join(known)}")
    if handler == "measures" and severity != "info":
        raise ValueError("what is for measures is info; name --handler author or reviewer")
    if book.find(name) is not None:
        raise ValueError("a rule has this name")
    first = next(a for a in words.kinds[about].attributes.values() if a.type in ("bool", "enum"))
    value = "true" if first.type == "bool" else min(first.values)
    ident = next_id(book)
    path = directory / phase / f"{ident}-{name}.yaml"
    path.parent.mkdir(parents=True, exist_ok=True)
    text = _TEMPLATE.format(
        id=ident, name=name, phase=phase, about=about, blank=PLACEHOLDER, word=first.name, value=value,
        release=book.version, concern=concern, severity=severity, handler=handler,
        category="safety" if handler == "reviewer" else "completeness",
        allowed="warning, critical" if severity == "critical" else "info, warning",
        remediation=_SAFETY if handler == "reviewer" else _COMPLETENESS,
        tell_now=_TELL_NOW.format(blank=PLACEHOLDER) if severity == "critical" else "",
        asked=_ASKED.format(blank=PLACEHOLDER) if handler == "author" else "",
    )  # fmt: skip
    with path.open("x", encoding="utf-8") as file:
        file.write(text)
    return path
