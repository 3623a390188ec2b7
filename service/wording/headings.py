"""Headings and groups of findings, the same on the page and in the terminal."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
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


#: Members in which findings that are shown together are equal.
_SAME = ("severity", "handled_by", "title", "remediation", "tell_now", "disputed")


def together(findings: Iterable[Mapping[str, Any]]) -> list[list[Mapping[str, Any]]]:
    """Groups of findings that differ in their place only, such as one gap in the checks of four limbs.

    They are of one rule and one cascade, and are shown with one remediation and a list of places; in the review each
    stays a finding of its own. A group stands where its first finding stood.
    """
    groups: dict[tuple[Any, ...], list[Mapping[str, Any]]] = {}
    for finding in findings:
        story = tuple(sorted({finding["fingerprint"], *finding["related"]})) if finding["related"] else ()
        key = (finding["rule"]["id"], story, *(finding.get(name) for name in _SAME))
        groups.setdefault(key, []).append(finding)
    return list(groups.values())


def said_once(findings: Sequence[Mapping[str, Any]]) -> str | None:
    """The message that all findings of a group share, None where they differ."""
    first = str(findings[0]["message"])
    return first if all(finding["message"] == first for finding in findings) else None
