"""What the page and the terminal say alike: who acts, how grave, what it rests on; findings that differ in their place only."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

SEVERITIES = ("critical", "warning", "info")
#: What a finding rests on, by category: absence looks different from what is charted.
BASIS = {"completeness": "No entry", "safety": "Charted", "consistency": "Two places disagree"}
#: A state in place of a value, as the reader is told.
STATES = {
    "missing": "no entry",
    "not_collected": "the sender has no place for it",
    "declined": "declined, with a reason",
}
#: Who acts -> the heading over their findings. In this order everywhere: what is charted as dangerous first.
HANDLERS = {"reviewer": "For the reviewer", "author": "For the author"}


def sentence(text: str) -> str:
    """With a capital first letter."""
    return text[:1].upper() + text[1:]


def count(amount: int, noun: str) -> str:
    """``1 finding``, ``2 findings``."""
    return f"{amount} {noun}" if amount == 1 else f"{amount} {noun}s"


def severity_counts(findings: Iterable[Mapping[str, Any]]) -> str:
    """``2 critical, 1 warning``; empty without findings."""
    found = [finding["severity"] for finding in findings]
    return ", ".join(f"{found.count(severity)} {severity}" for severity in SEVERITIES if severity in found)


#: What findings that are shown together have in common: all but message, places, time and fingerprint.
_SAME = ("severity", "handled_by", "title", "remediation", "tell_now", "disputed")


def together(findings: Iterable[Mapping[str, Any]]) -> list[list[Mapping[str, Any]]]:
    """Findings of one rule, and of one cascade, that differ in their place only (four limbs and one hole in their checks), each such group where its first stood."""
    groups: dict[tuple[Any, ...], list[Mapping[str, Any]]] = {}
    for finding in findings:
        story = tuple(sorted({finding["fingerprint"], *finding["related"]})) if finding["related"] else ()
        key = (finding["rule"]["id"], story, *(finding.get(name) for name in _SAME))
        groups.setdefault(key, []).append(finding)
    return list(groups.values())


def said_once(findings: Sequence[Mapping[str, Any]]) -> str | None:
    """The message that all of them share, None where each says its own."""
    first = str(findings[0]["message"])
    return first if all(finding["message"] == first for finding in findings) else None
