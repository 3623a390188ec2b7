"""Headings and groups of findings, the same on the page and in the terminal."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

SEVERITIES = ("critical", "warning", "info")
#: Category of a finding -> what it rests on.
BASIS = {"completeness": "No entry", "safety": "Charted", "consistency": "Two places disagree"}
#: State of a value -> how the reader is told of it.
STATES = {
    "missing": "no entry",
    "not_collected": "the sender has no place for it",
    "declined": "declined, with a reason",
}
#: Who acts -> the heading over their findings, in the order in which they are shown.
HANDLERS = {"reviewer": "For the reviewer", "author": "For the author"}


def sentence(text: str) -> str:
    """The text with a capital first letter."""
    return text[:1].upper() + text[1:]


def count(amount: int, noun: str) -> str:
    """``1 finding``, ``2 findings``."""
    return f"{amount} {noun}" if amount == 1 else f"{amount} {noun}s"


def severity_counts(findings: Iterable[Mapping[str, Any]]) -> str:
    """``2 critical, 1 warning``; empty without findings."""
    found = [finding["severity"] for finding in findings]
    return ", ".join(f"{found.count(severity)} {severity}" for severity in SEVERITIES if severity in found)


def each_instance(findings: Iterable[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Every instance of every finding, with the members of its finding."""
    return [{**finding, **instance} for finding in findings for instance in finding["instances"]]
