"""``restraint-review profiles check``: every slip of a profile with its line, what is allowed and an example."""

from __future__ import annotations

import argparse
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

from service.settings import read_settings

from . import loading
from .exit_status import FAULTS, OK, CommandFailed, failed

_RULE = re.compile(r"(RR-\d{4})(?:\.(\w+))?")
#: What a line about a slip says -> a line that is right.
_EXAMPLES = (
    (
        r"outside|a value needs|unknown parameter|unknown rule|no number",
        "RR-1307: {max_gap: {value: 10, source: our-county-2026}}",
    ),
    (r"follows", "RR-1239: {max_im: {value: 10, source: our-county-2026}}"),
    (r"shared", "child_under: {value: 14, source: our-county-2026}"),
    (r"severity", "RR-1045: {severity: warning, source: our-county-2026}"),
    (r"\boff\b", '{rule: RR-1128, reason: Police search every patient., owner: Medical director, ends: "2031-12-31"}'),
    (r"measures", "RR-1004: The reason is asked for first."),
    (r"file name|profile", "profile: our-county in the file our-county.yaml"),
    (r"reviewed", 'reviewed: "2031-01-31"'),
    (r"unknown", "profile, version, title, edition, reviewed, notes, parameters, shared, severities, measures, off"),
)


def register(commands: Any) -> None:
    """Add the command."""
    check = commands.add_parser("check", help="whether the file of a profile can be used")
    check.add_argument("file", type=Path, metavar="FILE", help="a file in a folder named profiles")
    check.set_defaults(run=_run)


def _run(arguments: argparse.Namespace) -> int:
    file: Path = arguments.file
    try:
        text = file.read_text("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        return failed(f"{file}: {type(error).__name__}")
    if file.resolve().parent.name != "profiles":
        return failed("the file of a profile lies in a folder named profiles")
    settings = replace(read_settings(), extra_rules_dir=file.resolve().parent.parent)
    try:
        book = loading.rulebook(settings)
    except CommandFailed as wrong:
        print("\n".join(told(line, file.name, text) for line in wrong.lines))
        return FAULTS
    profile = book.profiles[file.stem]
    print(
        f"{profile.id}: nothing is wrong. {len(profile.numbers)} numbers, {len(profile.severities)} severities, "
        f"{len(profile.measures)} counted only, {len(profile.off)} off. See what it changes: "
        f"restraint-review profiles diff default {profile.id}"
    )
    return OK


def told(slip: str, name: str, text: str) -> str:
    """A slip with the number of its line where that can be found, and a line that is right."""
    if not slip.startswith(f"{name}: "):
        return slip
    said = slip.removeprefix(f"{name}: ")
    number = _line(said, text)
    example = next((right for pattern, right in _EXAMPLES if re.search(pattern, said)), "")
    return f"{name}{f', line {number}' if number else ''}: {said}" + (f". Such as: {example}" if example else "")


def _line(said: str, text: str) -> int | None:
    """The line that a slip is about: that of the rule and its number, else of the word that is not known."""
    from service.rulebook.rule_file import PLACEHOLDER

    lines = text.splitlines()
    found = _RULE.search(said)
    if found is None:
        words = [PLACEHOLDER] if PLACEHOLDER in said else [rf"\b{word}\s*:" for word in re.findall(r"\w+", said)[::-1]]
        live = [(n, line) for n, line in enumerate(lines, 1) if not line.lstrip().startswith("#")]
        found_at = (n for word in words for n, line in live if re.search(word, line))
        return next(found_at, None)
    rule, parameter = found.groups()
    parameter = parameter or (said.rsplit(" ", 1)[-1] if "unknown parameter" in said else None)
    part = "off:" if said.startswith("off") else ("severities:" if "severity" in said else None)
    start = next((n for n, line in enumerate(lines) if part and line.startswith(part)), 0)
    at = next((n for n in range(start, len(lines)) if rule in lines[n] and not lines[n].lstrip().startswith("#")), None)
    if at is None:
        return None
    if parameter is not None and parameter not in lines[at]:
        at = next((n for n in range(at, len(lines)) if re.search(rf"\b{re.escape(parameter)}\b", lines[n])), at)
    return at + 1
