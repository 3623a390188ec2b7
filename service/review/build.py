"""The review: the whole answer for one episode, as plain data in a fixed order.

Shapes are those of the contract (``openapi.yaml``, components ``Review`` and
``Finding``). Nothing here reads a clock; two calls with the same input give
the same document.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone
from typing import Any

from service.engine.decide import RuleDecision
from service.engine.evaluator import deciding, unknowns
from service.episode import model
from service.facts.model import Evidence, Fact, FactSheet
from service.intake.episode_json import Acceptance, Intake, first_time
from service.problems import pointer_order
from service.rulebook.load import Rulebook
from service.rulebook.model import BoundRule, Profile, Rule

OUTCOMES = ("clear", "finding", "not_applicable", "not_assessable", "error")
CAUTIONS = (
    "This review supports quality review. It is not a medical device.",
    "It is not medical or legal advice.",
    "Local protocol and medical direction always win over anything said here.",
    "No finding is not proof of good care: only what is charted can be read.",
)


@dataclass(frozen=True, slots=True)
class Review:
    """One review. ``document`` is what presentations render.

    ``outcomes``: rule id -> outcome. ``disagreements``: rules on which engine
    and evaluator disagreed. ``intake`` and ``sheet`` are what it rests on, for
    presentations that draw the episode.
    """

    document: dict[str, Any]
    outcomes: Mapping[str, str]
    disagreements: tuple[str, ...]
    intake: Intake
    sheet: FactSheet


def _place(evidence: Evidence, intake: Intake) -> dict[str, Any]:
    label = f"{evidence.label}: no entry" if evidence.member else evidence.label
    out: dict[str, Any] = {intake.language: intake.locate(evidence.pointer), "label": label}
    if evidence.chars:
        out["chars"] = {"from": evidence.chars[0], "to": evidence.chars[1]}
    return out


def _places(bound: BoundRule, fact: Fact) -> list[Evidence]:
    """Where a finding points: the evidence of the leaves that decided, else the fact's own places."""
    found: dict[tuple[str, str | None, tuple[int, int] | None], Evidence] = {}
    for leaf, _ in deciding(bound, fact):
        for evidence in fact.evidence.get(leaf.attribute, ()):
            found[evidence.pointer, evidence.member, evidence.chars] = evidence
    chosen = list(found.values()) or list(fact.pointers)
    return sorted(chosen, key=lambda e: (pointer_order(e.pointer), e.member or "", e.chars or (0, 0)))


def fingerprint(rule: Rule, fact: Fact, places: Iterable[Evidence]) -> str:
    """``v1:`` and a hash of rule id, kind, the fact's own key and the pointers with item ids in place of indexes."""
    text = json.dumps([rule.id, fact.kind, fact.key, sorted({p.stable for p in places})], separators=(",", ":"))
    return "v1:" + hashlib.sha256(text.encode()).hexdigest()[:32]


class _Zone:
    """Times in the record's own offset."""

    def __init__(self, episode: model.Episode) -> None:
        first = first_time(episode)
        offset = first.utcoffset() if first else None
        self._zone = UTC if not offset else timezone(offset)

    def text(self, seconds: int) -> str:
        """RFC 3339 in whole seconds."""
        return (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=seconds)).astimezone(self._zone).isoformat()

    def day(self, seconds: int) -> str:
        """The calendar day there."""
        return self.text(seconds)[:10]


def _parameters(bound: BoundRule) -> dict[str, dict[str, Any]]:
    return {
        p.name: {
            "value": bound.values[p.name],
            "unit": p.unit.removesuffix("-etco2").replace("refill-s", "s").replace("mmHg", "mm[Hg]"),
        }
        for p in bound.rule.parameters
    }


def _sources(rule: Rule, book: Rulebook) -> list[dict[str, Any]]:
    out = []
    for source in rule.sources:
        entry = book.sources[source.key]
        out.append(
            {
                "key": source.key,
                "title": entry["title"],
                "publisher": entry["publisher"],
                "edition": entry["edition"],
                "locator": source.locator,
                "confidence": source.confidence,
            }
        )
    return out


class _Static:
    """What a finding of one rule says whatever the episode is; made once a rule."""

    __slots__ = ("head", "parameters", "sources")

    def __init__(self, bound: BoundRule, book: Rulebook) -> None:
        self.parameters = _parameters(bound)
        self.sources = _sources(bound.rule, book)
        rule = bound.rule
        self.head = {"id": rule.id, "name": rule.name, "revision": rule.revision}


@dataclass(frozen=True, slots=True)
class Ruleset:
    """One profile's side of every review: bound rules, and what never changes about them."""

    book: Rulebook
    profile: Profile
    bound: tuple[BoundRule, ...]
    versions: Mapping[str, str]
    static: Mapping[str, _Static]

    @classmethod
    def of(cls, book: Rulebook, profile: Profile, bound: tuple[BoundRule, ...], service: str, api: str) -> Ruleset:
        """Prepare for reviews under one profile."""
        versions = {
            "api": api,
            "service": service,
            "ruleset": f"{book.name} {book.version}",
            "ruleset_digest": book.digest,
            "profile": f"{profile.id} {profile.version}",
            "profile_digest": book.profile_digests[profile.id],
        }
        return cls(book, profile, bound, versions, {b.rule.id: _Static(b, book) for b in bound})


def _finding(
    ruleset: Ruleset, decision: RuleDecision, index: int, fact: Fact, zone: _Zone, intake: Intake
) -> tuple[str, dict[str, Any]]:
    bound, rule = decision.bound, decision.bound.rule
    static = ruleset.static[rule.id]
    places = _places(bound, fact)
    disputed = index in decision.disputed
    span = next(
        (fact.spans[leaf.attribute] for leaf in bound.fails.leaves() if leaf.attribute in fact.spans), fact.span
    )
    out: dict[str, Any] = {
        "rule": static.head,
        "severity": bound.severity,
        "category": rule.category,
        "phase": rule.phase,
        "handled_by": rule.handled_by,
        "title": rule.title,
        "message": ruleset.book.messages[rule.id].render(fact.values, bound.values),
    }
    if rule.tell_now and bound.severity == "critical":
        out["tell_now"] = rule.tell_now
    out |= {
        "remediation": rule.remediation,
        "why": rule.why,
        "pointers": [_place(p, intake) for p in places],
        "span": None if span is None else {"from": zone.text(span[0]), "to": zone.text(span[1])},
        "parameters": static.parameters,
        "sources": static.sources,
        "fingerprint": fingerprint(rule, fact, places),
        "acceptable": bound.severity != "critical"
        and not rule.locked
        and not disputed
        and all(p.by_id for p in places),
    }
    if disputed:
        out["disputed"] = True
    out["related"] = []
    return places[0].pointer if places else "", out


def _order(ruleset: Ruleset, finding: Mapping[str, Any], first: str) -> tuple[Any, ...]:
    """Severity, phase, rule, then ``first``: the episode's own pointer, so that every format has one order."""
    words = ruleset.book.vocabulary
    return (
        words.severities.index(finding["severity"]),
        words.phases.index(finding["phase"]),
        finding["rule"]["id"],
        pointer_order(first),
        finding["fingerprint"],
    )


def _relate(findings: list[dict[str, Any]], by_id: Mapping[str, BoundRule]) -> None:
    """Findings of one cascade name each other."""
    groups: dict[str, list[dict[str, Any]]] = {}
    for finding in findings:
        cascade = by_id[finding["rule"]["id"]].rule.cascade
        if cascade:
            groups.setdefault(cascade, []).append(finding)
    for group in groups.values():
        for finding in group:
            finding["related"] = [other["fingerprint"] for other in group if other is not finding]


def _unknown(decision: RuleDecision, sheet: FactSheet, intake: Intake) -> list[dict[str, Any]]:
    rule = decision.bound.rule
    if not decision.by_fact:
        return [{"fact": rule.about, "state": sheet.drawn_from.get(rule.about, "missing"), "pointers": []}]
    out: list[dict[str, Any]] = []
    for index, outcome in decision.by_fact:
        if outcome != "not_assessable":
            continue
        fact = sheet.facts[index]
        for attribute, state in unknowns(decision.bound, fact):
            places = fact.evidence.get(attribute, fact.pointers)
            entry = {
                "fact": f"{fact.kind} {fact.key}",
                "attribute": attribute,
                "state": state,
                "pointers": [intake.locate(p.pointer) for p in places],
            }
            if entry not in out:
                out.append(entry)
    return out


def _explain(decision: RuleDecision, sheet: FactSheet, intake: Intake) -> list[dict[str, Any]]:
    out = []
    for index, outcome in decision.by_fact:
        fact = sheet.facts[index]
        decided = [
            {
                "attribute": leaf.attribute,
                "op": leaf.op,
                "against": leaf.value,
                "result": {True: "true", False: "false", None: "unknown"}[truth],
            }
            for leaf, truth in deciding(decision.bound, fact)
        ]
        out.append(
            {
                "fact": f"{fact.kind} {fact.key}",
                "outcome": outcome,
                "pointers": [intake.locate(p.pointer) for p in fact.pointers],
                "decided_by": decided,
            }
        )
    return out


def _switches(
    profile: Profile, closed: int | None, zone: _Zone
) -> tuple[dict[str, dict[str, str]], list[dict[str, Any]]]:
    """Rules off for this record, by the record's own day, and notices about switch-offs that have ended."""
    off: dict[str, dict[str, str]] = {}
    notices = []
    for switch in profile.off:
        if closed is not None and zone.day(closed) <= switch.ends:
            off[switch.rule] = {
                "rule": switch.rule,
                "reason": switch.reason,
                "owner": switch.owner,
                "ends": switch.ends,
            }
        else:
            notices.append(
                {
                    "code": "switch-off-ended",
                    "severity": "info",
                    "detail": f"{switch.rule} was switched off until {switch.ends}; it is on for this record.",
                }
            )
    return off, notices


def _accept(
    findings: list[dict[str, Any]], accepted: Sequence[Acceptance]
) -> tuple[list[dict[str, Any]], list[dict[str, Any]], list[dict[str, Any]]]:
    reasons = {a.fingerprint: a.reason for a in accepted}
    notices: list[dict[str, Any]] = []
    left, moved = [], []
    for finding in findings:
        reason = reasons.pop(finding["fingerprint"], None)
        if reason is not None and finding["acceptable"]:
            moved.append({**finding, "reason": reason})
            continue
        if reason is not None:
            notices.append(
                {
                    "code": "not-acceptable",
                    "severity": "warning",
                    "detail": f"A finding of {finding['rule']['id']} cannot be accepted; it stands.",
                }
            )
        left.append(finding)
    if reasons:
        notices.append(
            {
                "code": "acceptance-unused",
                "severity": "info",
                "detail": f"{len(reasons)} of the acceptances match no finding.",
            }
        )
    return left, moved, notices


def _counts(values: Iterable[str], words: Sequence[str]) -> dict[str, int]:
    out = dict.fromkeys(words, 0)
    for value in values:
        out[value] += 1
    return out


def _untold_dangers(decisions: Sequence[RuleDecision], sheet: FactSheet) -> list[dict[str, Any]]:
    """A danger that stands in the record, and no way to tell from it what was done: said by name, never passed over."""
    rules = [
        d.bound.rule.id
        for d in decisions
        if d.outcome == "not_assessable"
        and d.bound.severity == "critical"
        and d.bound.rule.about == "event"
        and any(outcome == "not_assessable" and sheet.facts[i].kind == "event" for i, outcome in d.by_fact)
    ]
    if not rules:
        return []
    detail = f"The record holds a danger sign and cannot tell what followed it: {', '.join(rules)}. Look at it."
    return [{"code": "danger-not-assessable", "severity": "critical", "detail": detail}]


def _due_later(sheet: FactSheet) -> list[dict[str, Any]]:
    """Duties that fall due after closing: said, never found."""
    whole = sheet.facts[0].values
    if whole.get("destination_duty_due"):
        return [
            {
                "code": "due-after-closing",
                "severity": "info",
                "detail": "Where local policy asks for it: the record to the hospital within 2 h, review by the medical director within 24 h of sedation.",
            }
        ]
    return []


def build(
    ruleset: Ruleset, intake: Intake, sheet: FactSheet, decisions: Sequence[RuleDecision], *, explain: bool
) -> Review:
    """Put the answer together."""
    words = ruleset.book.vocabulary
    zone = _Zone(intake.episode)
    off, notices = _switches(ruleset.profile, sheet.closed, zone)
    notices = [
        {"code": n.code, "severity": "info", "detail": n.detail, intake.language: n.pointer} for n in intake.notices
    ] + notices
    on = [d for d in decisions if d.bound.rule.id not in off]
    placed: list[tuple[str, dict[str, Any]]] = []
    disagreements = []
    for decision in on:
        found = [index for index, outcome in decision.by_fact if outcome == "finding" or index in decision.disputed]
        placed += [_finding(ruleset, decision, index, sheet.facts[index], zone, intake) for index in found]
        if decision.disputed:
            disagreements.append(decision.bound.rule.id)
            notices.append(
                {
                    "code": "deciders-disagree",
                    "severity": "critical",
                    "detail": f"Engine and evaluator disagree about {decision.bound.rule.id}; its findings are shown and marked disputed. Please report it.",
                }
            )
        elif decision.outcome == "error":
            notices.append(
                {
                    "code": "rule-error",
                    "severity": "critical",
                    "detail": f"{decision.bound.rule.id} could not be decided. Please report it.",
                }
            )
    placed.sort(key=lambda pair: _order(ruleset, pair[1], pair[0]))
    findings = [finding for _, finding in placed]
    _relate(findings, {d.bound.rule.id: d.bound for d in on})
    left, moved, more = _accept(findings, intake.accepted)
    notices += more
    outcomes = {d.bound.rule.id: d.outcome for d in on}
    totals = _counts(outcomes.values(), OUTCOMES)
    if totals["not_assessable"] * 2 > len(on):
        notices.append(
            {
                "code": "mostly-not-assessable",
                "severity": "warning",
                "detail": "More than half of the rules cannot be assessed from this record.",
            }
        )
    notices += _untold_dangers(on, sheet)
    notices += _due_later(sheet)
    document: dict[str, Any] = {
        "episode_ref": intake.episode.episode_ref,
        "versions": dict(ruleset.versions),
        "input_digest": intake.digest,
        "summary": {
            "rules": len(on),
            **totals,
            "off": len(off),
            "findings": len(left),
            "accepted": len(moved),
            "by_severity": _counts((f["severity"] for f in left), words.severities),
            "by_category": _counts((f["category"] for f in left), words.categories),
            "by_phase": _counts((f["phase"] for f in left), words.phases),
        },
        "findings": left,
        "accounts": _accounts(on, sheet, intake, explain=explain),
        "not_assessable": [
            {"rule": ruleset.static[d.bound.rule.id].head, "unknown": _unknown(d, sheet, intake)}
            for d in on
            if d.outcome == "not_assessable"
        ],
        "accepted": moved,
        "off": [off[s.rule] for s in ruleset.profile.off if s.rule in off],
        "notices": notices,
        "cautions": list(CAUTIONS),
    }
    return Review(document, outcomes, tuple(disagreements), intake, sheet)


def _accounts(
    decisions: Sequence[RuleDecision], sheet: FactSheet, intake: Intake, *, explain: bool
) -> list[dict[str, Any]]:
    """Every rule with its outcome and how many facts had which."""
    # Rules that look at the same facts and apply to none share one tuple: counted once.
    known: dict[int, dict[str, int]] = {}
    out = []
    for decision in decisions:
        by_fact = decision.by_fact
        facts = known.get(id(by_fact))
        if facts is None:
            facts = {}
            for _, outcome in by_fact:
                facts[outcome] = facts.get(outcome, 0) + 1
            facts = known[id(by_fact)] = dict(sorted(facts.items()))
        account: dict[str, Any] = {"rule": decision.bound.rule.id, "outcome": decision.outcome, "facts": facts}
        if explain:
            account["explanation"] = _explain(decision, sheet, intake)
        out.append(account)
    return out
