"""Headings and groups of findings, the same on the page and in the terminal."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

SEVERITIES = ("critical", "warning", "info")
#: Category of a finding -> what it rests on.
BASIS = {"completeness": "No entry", "safety": "Charted", "consistency": "Two places disagree"}
#: State of a value -> how the reader is told of it.
_STATES = {
    "missing": "left blank",
    "not_collected": "not collected by the charting system",
    "declined": "charted as not obtained",
    "contradicted": "times and care do not fit",
}
#: Who acts -> the heading over their findings, in the order in which they are shown.
HANDLERS = {"reviewer": "For the reviewer", "author": "For the author"}


def sentence(text: str) -> str:
    """The text with a capital first letter."""
    return text[:1].upper() + text[1:]


def why_unknown(because: Mapping[str, Any]) -> str:
    """Why something cannot be told, from ``label`` and ``state``: ``monitoring, actions: left blank``."""
    return f"{because['label']}: {_STATES[because['state']]}"


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


def gravest(review: Mapping[str, Any]) -> Mapping[str, Any] | None:
    """The finding at the top of a review, or what stays unjudged where that is graver; None where there is neither."""
    both = [*review["findings"][:1], *review["unjudged"][:1]]
    # Of equals the finding: what is found comes before what cannot be told.
    return min(both, key=lambda each: SEVERITIES.index(each["severity"])) if both else None
