"""Places of a finding: where it points in the document that was sent, and which entry is not there."""

from __future__ import annotations

import functools
from collections.abc import Iterator
from typing import Any

from service.facts.fact import Evidence, Fact
from service.intake.result import Intake
from service.problems import pointer_order

from .ruleset import RuleEntry

#: The same pointers come in review after review, and hold nothing of any record.
order_of = functools.lru_cache(maxsize=2048)(pointer_order)


#: Attributes that say whether an answer to a danger is charted. Who is asked for it is led to where it would stand.
_ANSWERED = ("unanswered", "airway_response")


def places(entry: RuleEntry, fact: Fact, disputed: bool = False) -> list[Evidence]:
    """Where a finding points: the evidence of the leaves that decided, else the fact's own places.

    They stand in the order of the record, but the first place of the attribute that the rule ranks by is the first of
    all: the message states its value.
    """
    evidence_of = fact.evidence.get
    leaves = [leaf for leaf, _ in entry.compiled.deciding(fact)] if disputed else entry.compiled.proving(fact)
    found = {
        evidence.where: evidence
        for leaf in leaves
        for evidence in evidence_of(leaf.attribute, ()) or _missing(entry, fact, leaf.attribute)
    }
    if entry.rule.category == "completeness" and any(leaf.attribute in _ANSWERED for leaf in leaves):
        found = found or {evidence.where: evidence for evidence in fact.pointers}
        found |= {evidence.where: evidence for evidence in evidence_of("answer", ())}
    chosen = list(found.values()) or list(fact.pointers)
    if len(chosen) > 1:
        chosen.sort(key=in_the_record)
        by = entry.rule.worst_by
        stated = None if by is None else evidence_of(by.attribute)
        if stated:
            chosen.sort(key=lambda evidence: evidence.where != stated[0].where)
    return chosen


def _missing(entry: RuleEntry, fact: Fact, attribute: str) -> Iterator[Evidence]:
    """The members of the fact's own objects that are missing and from which an attribute follows."""
    for path in entry.asked.get(attribute, ()):
        for own in fact.pointers:
            place = own.lacks(path)
            if place is not None:
                yield place


def in_the_record(evidence: Evidence) -> tuple[Any, ...]:
    """Sort key of a place: by its pointer, numbers as numbers."""
    pointer, member, chars = evidence.where
    return order_of(pointer), member or "", chars or (0, 0)


def told(evidence: Evidence, intake: Intake, *, entry_missing: bool = False) -> dict[str, Any]:
    """A place as the contract has it (``Place``). ``entry_missing``: a list that is there lacks an entry."""
    pointer, member, chars = evidence.where
    out: dict[str, Any] = {intake.language: intake.locate(pointer)}
    if evidence.item_id is not None:
        out["item"] = evidence.item_id
    if member is not None:
        out["missing"] = f"{pointer}/{member}"
    elif entry_missing and evidence.is_list:
        out["missing"] = f"{pointer}/-/{evidence.entry}" if evidence.entry else f"{pointer}/-"
    out["label"] = f"{evidence.label}: no entry" if "missing" in out else evidence.label
    if chars:
        out["chars"] = {"from": chars[0], "to": chars[1]}
    return out
