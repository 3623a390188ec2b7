"""Sentences that several representations of a review share."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from service.review.build import OUTCOMES, Review
from service.wording.headings import count, sentence, why_unknown
from service.wording.quantities import quantity
from service.wording.words import word

#: Confidence of a source -> what is said of one that was not read itself.
_KNOWN = {
    "read_secondary": " (as another source tells it)",
    "memory": " (from memory)",
    "practice": " (common practice)",
}


def rules_by_outcome(review: Review) -> dict[str, list[str]]:
    """Outcome -> ids of the rules with it, ``off`` too; outcomes that no rule has are left out."""
    found: dict[str, list[str]] = {outcome: [] for outcome in (*OUTCOMES, "off")}
    for rule, outcome in review.outcomes.items():
        found[outcome].append(rule)
    found["off"] = [each["rule"] for each in review.document["off"]]
    return {outcome: rules for outcome, rules in found.items() if rules}


def counted(document: Mapping[str, Any]) -> str:
    """The counts of a review in one or two sentences."""
    summary = document["summary"]
    rules = ", ".join(f"{summary[each]} {'with findings' if each == 'finding' else word(each)}" for each in OUTCOMES)
    findings = "No findings" if not summary["findings"] else count(summary["findings"], "finding")
    more = "".join(
        f", {summary[each]} {each}" for each in ("accepted", "counted", "covered", "unjudged") if summary[each]
    )
    return f"{findings}{more}. {count(summary['rules'], 'rule')}: {rules}; {summary['off']} off."


def limits(finding: Mapping[str, Any]) -> str:
    """The parameters of a finding as text, such as ``max gap 15 min``; "" where it has none."""
    return ", ".join(f"{word(name)} {quantity(p['value'], p['unit'])}" for name, p in finding["parameters"].items())


def sources(finding: Mapping[str, Any]) -> str:
    """The sources of a finding as text: publisher, title, edition, place, and how it is known where it was not read."""
    said = []
    for each in finding["sources"]:
        known = _KNOWN.get(each["confidence"], "")
        parts = [str(each[name]) for name in ("publisher", "title", "edition", "locator") if each[name]]
        said.append(", ".join(parts) + known)
    return "; ".join(said)


def every_place(entry: Mapping[str, Any]) -> Iterator[Mapping[str, Any]]:
    """The places of all instances of a finding or of what stays unjudged."""
    for instance in entry["instances"]:
        yield from instance["pointers"]


def messages(finding: Mapping[str, Any]) -> list[str]:
    """What a finding says: its own message, and those of its instances that say something else."""
    said = dict.fromkeys([finding["message"], *(instance["message"] for instance in finding["instances"])])
    return list(said)


def cause(group: Mapping[str, Any]) -> str:
    """A group of ``not_assessable`` as a sentence: ``Monitoring, actions: left blank. Cannot be assessed: RR-1360``"""
    return f"{sentence(why_unknown(group['because']))}. Cannot be assessed: {ids(group['rules'])}"


def ids(rules: Iterable[Mapping[str, Any]]) -> str:
    """The ids of rules, with commas."""
    return ", ".join(rule["id"] for rule in rules)
