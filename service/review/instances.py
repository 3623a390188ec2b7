"""The instances of a finding: one for each fact for which the rule fails."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import orjson

from service.facts.fact import Evidence, Fact
from service.intake.result import Intake
from service.rulebook.rule import Rule, WorstBy
from service.wording.clock import Clock

from .places import in_the_record, places, told
from .ruleset import RuleEntry

Span = tuple[int, int]
#: Times that a line of ``tell_now`` lists one by one.
MOST_TIMES = 10


@dataclass(frozen=True, slots=True)
class Instance:
    """One fact for which a rule fails. ``index``: of the fact in the sheet. ``span``: epoch seconds, None without a time."""

    entry: RuleEntry
    index: int
    fact: Fact
    places: tuple[Evidence, ...]
    span: Span | None
    fingerprint: str
    acceptable: bool
    disputed: bool

    @property
    def worst_first(self) -> tuple[Any, ...]:
        """Sort key among the instances of one finding: worst value, then time, then place."""
        where = in_the_record(self.places[0]) if self.places else ()
        by = self.entry.rule.worst_by
        return *worst_first(by, by and self.fact.values.get(by.attribute), self.span), where, self.fingerprint

    @property
    def items(self) -> frozenset[str]:
        """Pointers of the list items among its places."""
        return frozenset(evidence.item for evidence in self.places if evidence.item is not None)

    def at(self, clock: Clock) -> str:
        """When it was, as people write it; empty where no time is charted."""
        return "" if self.span is None else clock.text(self.span[0])

    def document(self, message: str, intake: Intake, clock: Clock) -> dict[str, Any]:
        """The instance as the contract has it."""
        of = self.fact.evidence.get
        asked = {place.where for name in self.entry.asked for place in of(name, self.fact.pointers)}
        asked |= {place.where for place in of("answer", ())}
        out: dict[str, Any] = {
            "message": message,
            "span": span_document(self.span, clock),
            "pointers": [told(one, intake, entry_missing=one.where in asked) for one in self.places],
            "fingerprint": self.fingerprint,
            "acceptable": self.acceptable,
        }
        if self.disputed:
            out["disputed"] = True
        return out


def instance(entry: RuleEntry, index: int, fact: Fact, disputed: bool) -> Instance:
    """The instance of a rule for one fact."""
    found = places(entry, fact, disputed)
    named = [evidence.by_ids() for evidence in found]
    acceptable = (
        entry.bound.severity != "critical"
        and not entry.rule.locked
        and not disputed
        and all(by_id for _, by_id in named)
    )
    mark = fingerprint(entry.rule, fact, (name for name, _ in named))
    return Instance(entry, index, fact, tuple(found), span_of(entry, fact), mark, acceptable, disputed)


def worst_first(by: WorstBy | None, value: object, span: Span | None) -> tuple[Any, ...]:
    """Sort key among the facts of one rule: worst value, then time (none comes last)."""
    ranked = 0 if by is None or not isinstance(value, int) else value if by.lowest else -value
    return value is None, ranked, span is None, 0 if span is None else span[0]


def and_more(others: Sequence[Span | None], clock: Clock) -> str:
    """`` And 2 more: 18:20, 18:36.``, after what is said of the worst; empty without others."""
    if not others:
        return ""
    shown = [clock.text(time) for time in sorted({span[0] for span in others if span is not None})]
    if len(shown) > MOST_TIMES:
        shown = [f"{shown[0]} to {shown[-1]}"]
    return f" And {len(others)} more{': ' + ', '.join(shown) if shown else ''}."


def span_of(entry: RuleEntry, fact: Fact) -> Span | None:
    """When it was: the time of the attribute that decided, else of the fact."""
    if fact.spans:
        return next((fact.spans[name] for name in entry.spans if name in fact.spans), fact.span)
    return fact.span


def span_document(span: Span | None, clock: Clock) -> dict[str, str] | None:
    """A stretch of time in RFC 3339."""
    return None if span is None else {"from": clock.rfc3339(span[0]), "to": clock.rfc3339(span[1])}


def fingerprint(rule: Rule, fact: Fact, pointers: Iterable[str]) -> str:
    """``v1:`` and 32 hexadecimal digits, the same for the same instance in a later version of the record.

    A hash of the rule's id, the fact's kind and key, and ``pointers``, which have item ids in place of indexes.
    """
    text = orjson.dumps([rule.id, fact.kind, fact.key, sorted(set(pointers))])
    return "v1:" + hashlib.sha256(text).hexdigest()[:32]
