"""Rules that cannot be assessed from the record, grouped by what is not there."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from service.engine.decide import Decisions
from service.facts.fact import FactSheet

from .causes import Cause, Causes
from .ruleset import RuleEntry


def not_assessable(
    entries: Iterable[RuleEntry], decisions: Decisions, sheet: FactSheet, causes: Causes
) -> list[dict[str, Any]]:
    """One group for each cause, the gravest first: each rule stands once, under its shortest cause.

    ``also`` counts the further causes of a rule. ``entries``: the rules with this outcome.
    """
    groups: dict[Cause, list[tuple[RuleEntry, int]]] = {}
    for entry in entries:
        opened = decisions.open.get(entry.number)
        if opened:
            found = {cause for index in opened for cause in causes.of_fact(entry, sheet.facts[index])}
        else:
            found = {causes.of_kind(entry.rule.about)}
        also = len(found) - 1
        first = min(found, key=lambda cause: cause.shortest_first) if len(found) > 1 else found.pop()
        groups.setdefault(first, []).append((entry, also))
    worst = {cause: min([entry for entry, _ in listed], key=_gravest) for cause, listed in groups.items()}
    order = sorted(groups, key=lambda cause: (worst[cause].urgency[0], cause.shortest_first))
    return [
        {
            "because": cause.document(),
            "rules": [{"id": entry.rule.id, "also": also} for entry, also in groups[cause]],
            "worst": worst[cause].bound.severity,
        }
        for cause in order
    ]


def _gravest(entry: RuleEntry) -> int:
    return entry.urgency[0]
