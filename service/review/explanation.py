"""Accounts: for every rule how many facts had which outcome, and on request what decided each."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from typing import Any

from service.engine.decide import Decisions
from service.facts.fact import FactSheet
from service.intake.result import Intake

from .ruleset import RuleEntry

_TRUTH = {True: "true", False: "false", None: "unknown"}


def accounts(
    entries: Iterable[RuleEntry],
    decisions: Decisions,
    outcomes: dict[str, str],
    sheet: FactSheet,
    intake: Intake,
    *,
    explain: bool,
) -> list[dict[str, Any]]:
    """One account for each rule. ``explain``: with the facts it looked at, their places and what decided."""
    out = []
    for entry in entries:
        by_fact = decisions.by_fact(entry.number)
        counts = Counter(outcome for _, outcome in by_fact)
        account: dict[str, Any] = {
            "rule": entry.rule.id,
            "outcome": outcomes[entry.rule.id],
            "facts": dict(sorted(counts.items())),
        }
        if explain:
            account["explanation"] = [_explained(entry, index, outcome, sheet, intake) for index, outcome in by_fact]
        out.append(account)
    return out


def _explained(entry: RuleEntry, index: int, outcome: str, sheet: FactSheet, intake: Intake) -> dict[str, Any]:
    fact = sheet.facts[index]
    return {
        "fact": f"{fact.kind} {fact.key}",
        "outcome": outcome,
        "pointers": [intake.locate(place.pointer) for place in fact.pointers],
        "decided_by": [
            {"attribute": leaf.attribute, "op": leaf.op, "against": leaf.value, "result": _TRUTH[truth]}
            for leaf, truth in entry.compiled.deciding(fact)
        ],
    }
