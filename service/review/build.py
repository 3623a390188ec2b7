"""The review: the whole answer for one episode, as plain data in a fixed order.

Shapes are those of the contract (``openapi.yaml``, components ``Review`` and
``Finding``). Nothing here reads a clock; two calls with the same input give
the same document.
"""

from __future__ import annotations

import functools
import hashlib
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timezone
from itertools import compress, repeat
from operator import call, eq, is_
from typing import Any

import orjson

from service.checkpoint import Checkpoint, never
from service.engine import generated
from service.engine.decide import Decisions
from service.engine.evaluator import NOT_ASSESSABLE, compile_rule
from service.episode import record
from service.episode.pointers import first_time
from service.facts.fact import Evidence, Fact, FactSheet
from service.intake.result import Acceptance, Intake
from service.problems import pointer_order
from service.rulebook.load import Rulebook
from service.rulebook.message import Message
from service.rulebook.rule import BoundRule, Profile, Rule

OUTCOMES = ("clear", "finding", "not_applicable", "not_assessable", "error")
CAUTIONS = (
    "This review supports quality review. It is not a medical device.",
    "It is not medical or legal advice.",
    "Local protocol and medical direction always win over anything said here.",
    "No finding is not proof of good care: only what is charted can be read.",
)


@dataclass(frozen=True, slots=True)
class Review:
    """One review. ``document``: the ``Review`` of the contract, which every representation is made of.

    ``outcomes``: rule id -> outcome. ``disagreements``: ids of the rules on
    which engine and evaluator disagreed. ``intake`` and ``sheet``: what the
    review rests on, for the pages that draw the episode.
    """

    document: dict[str, Any]
    outcomes: Mapping[str, str]
    disagreements: tuple[str, ...]
    intake: Intake
    sheet: FactSheet


#: (``Evidence.where``, the place itself).
_Placed = tuple[tuple[str, str | None, tuple[int, int] | None], Evidence]


def _place(placed: _Placed, intake: Intake) -> dict[str, Any]:
    (pointer, member, chars), evidence = placed
    label = f"{evidence.label}: no entry" if member else evidence.label
    out: dict[str, Any] = {intake.language: intake.locate(pointer), "label": label}
    if chars:
        out["chars"] = {"from": chars[0], "to": chars[1]}
    return out


def _places(static: _Static, fact: Fact, disputed: bool) -> list[_Placed]:
    """Where a finding points: the evidence of the leaves that decided, else the fact's own places."""
    evidence_of = fact.evidence.get
    leaves = [leaf for leaf, _ in static.compiled.deciding(fact)] if disputed else static.compiled.proving(fact)
    found = {evidence.where: evidence for leaf in leaves for evidence in evidence_of(leaf.attribute, ())}
    chosen = list(found.items()) or [(evidence.where, evidence) for evidence in fact.pointers]
    if len(chosen) > 1:
        chosen.sort(key=_in_the_record)
    return chosen


def _in_the_record(placed: _Placed) -> tuple[Any, ...]:
    pointer, member, chars = placed[0]
    return _order(pointer), member or "", chars or (0, 0)


#: The same pointers come in review after review, and hold nothing of any record.
_order = functools.lru_cache(maxsize=2048)(pointer_order)


def fingerprint(rule: Rule, fact: Fact, places: Iterable[str]) -> str:
    """``v1:`` and 32 hexadecimal digits, the same for the same finding of a later version of the record.

    A hash of the rule's id, the fact's kind and key, and ``places``: its pointers with item ids in place of indexes.
    """
    text = orjson.dumps([rule.id, fact.kind, fact.key, sorted(set(places))])
    return "v1:" + hashlib.sha256(text).hexdigest()[:32]


class _Zone:
    """Times in the offset from UTC of the record's first time."""

    def __init__(self, episode: record.Episode) -> None:
        first = first_time(episode)
        offset = first.when.utcoffset() if first else None
        self._zone = UTC if not offset else timezone(offset)
        self._texts: dict[int, str] = {}

    def text(self, seconds: int) -> str:
        """Epoch seconds in RFC 3339."""
        known = self._texts.get(seconds)
        if known is None:
            known = self._texts[seconds] = datetime.fromtimestamp(seconds, self._zone).isoformat()
        return known

    def day(self, seconds: int) -> str:
        """The calendar day of epoch seconds, YYYY-MM-DD."""
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
    """What a review says of one rule whatever the episode is."""

    __slots__ = (
        "accounts", "bound", "compiled", "head", "opening", "order", "parameters", "remedy", "rule_id", "sources", "spans",
        "without_facts",
    )  # fmt: skip

    def __init__(self, bound: BoundRule, book: Rulebook) -> None:
        rule, words = bound.rule, book.vocabulary
        self.bound = bound
        self.rule_id = rule.id
        self.compiled = compile_rule(bound)
        self.parameters = _parameters(bound)
        self.sources = _sources(rule, book)
        self.head = {"id": rule.id, "name": rule.name, "revision": rule.revision}
        self.order = (words.severities.index(bound.severity), words.phases.index(rule.phase), rule.id)
        self.spans = tuple(dict.fromkeys(leaf.attribute for leaf in bound.fails.leaves()))
        self.opening = {
            "rule": self.head,
            "severity": bound.severity,
            "category": rule.category,
            "phase": rule.phase,
            "handled_by": rule.handled_by,
            "title": rule.title,
        }
        told = {"tell_now": rule.tell_now} if rule.tell_now and bound.severity == "critical" else {}
        self.remedy = {**told, "remediation": rule.remediation, "why": rule.why}
        self.accounts: dict[int, tuple[str, dict[str, Any]]] = {}
        self.without_facts = {
            outcome: (outcome, {"rule": rule.id, "outcome": outcome, "facts": dict[str, int]()}) for outcome in OUTCOMES
        }

    def account(self, tally: int) -> tuple[str, dict[str, Any]]:
        """(outcome, account) for a tally (``engine.generated``) over 0. Most reviews have the same few tallies: kept."""
        outcome = generated.first(tally)
        made = (outcome, {"rule": self.rule_id, "outcome": outcome, "facts": generated.counts(tally)})
        if len(self.accounts) < _MOST_ACCOUNTS:
            self.accounts[tally] = made
        return made


#: The most accounts of one rule that are kept. A tally holds four counts and nothing of any record.
_MOST_ACCOUNTS = 64


@dataclass(frozen=True, slots=True)
class Ruleset:
    """All that reviews under one profile share. ``accounts``: for each rule a function from a tally to its kept account."""

    book: Rulebook
    profile: Profile
    bound: tuple[BoundRule, ...]
    versions: Mapping[str, str]
    static: tuple[_Static, ...]
    numbers: Sequence[int]
    ids: tuple[str, ...]
    accounts: tuple[Callable[[int], tuple[str, dict[str, Any]] | None], ...]

    @classmethod
    def of(cls, book: Rulebook, profile: Profile, bound: tuple[BoundRule, ...], service: str, api: str) -> Ruleset:
        """What reviews under this profile share. ``service`` and ``api``: versions."""
        versions = {
            "api": api,
            "service": service,
            "ruleset": f"{book.name} {book.version}",
            "ruleset_digest": book.digest,
            "profile": f"{profile.id} {profile.version}",
            "profile_digest": book.profile_digests[profile.id],
        }
        static = tuple(_Static(b, book) for b in bound)
        ids, kept = tuple(s.rule_id for s in static), tuple(s.accounts.get for s in static)
        return cls(book, profile, bound, versions, static, range(len(bound)), ids, kept)


def _finding(
    static: _Static, message: Message, fact: Fact, disputed: bool, zone: _Zone, intake: Intake
) -> tuple[tuple[Any, ...], dict[str, Any]]:
    """(sort key, finding). The key: severity, phase, rule, then pointer into the episode, the same for every format."""
    bound, rule = static.bound, static.bound.rule
    places = _places(static, fact, disputed)
    span = fact.span
    if fact.spans:
        span = next((fact.spans[name] for name in static.spans if name in fact.spans), span)
    named = [evidence.by_ids() for _, evidence in places]
    mark = fingerprint(rule, fact, [name for name, _ in named])
    out: dict[str, Any] = {
        **static.opening,
        "message": message.render(fact.values, bound.values),
        **static.remedy,
        "pointers": [_place(p, intake) for p in places],
        "span": None if span is None else {"from": zone.text(span[0]), "to": zone.text(span[1])},
        "parameters": static.parameters,
        "sources": static.sources,
        "fingerprint": mark,
        "acceptable": bound.severity != "critical"
        and not rule.locked
        and not disputed
        and all(by_id for _, by_id in named),
    }
    if disputed:
        out["disputed"] = True
    out["related"] = []
    return (*static.order, _order(places[0][0][0]) if places else (), mark), out


def _relate(found: Iterable[tuple[_Static, dict[str, Any]]]) -> None:
    """Let the findings of one cascade name each other in ``related``."""
    groups: dict[str, list[dict[str, Any]]] = {}
    for static, finding in found:
        cascade = static.bound.rule.cascade
        if cascade:
            groups.setdefault(cascade, []).append(finding)
    for group in groups.values():
        for finding in group:
            finding["related"] = [other["fingerprint"] for other in group if other is not finding]


def _unknown(static: _Static, facts: Sequence[Fact], sheet: FactSheet, intake: Intake) -> list[dict[str, Any]]:
    """What is not known of the facts that leave a rule not assessable; without facts, of the kind as such."""
    about = static.bound.rule.about
    if not facts:
        return [{"fact": about, "state": sheet.drawn_from.get(about, "missing"), "pointers": []}]
    out: list[dict[str, Any]] = []
    for fact in facts:
        for attribute, state in static.compiled.unknowns(fact):
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


def _explain(
    static: _Static, by_fact: Iterable[tuple[int, str]], sheet: FactSheet, intake: Intake
) -> list[dict[str, Any]]:
    out = []
    for index, outcome in by_fact:
        fact = sheet.facts[index]
        decided = [
            {
                "attribute": leaf.attribute,
                "op": leaf.op,
                "against": leaf.value,
                "result": {True: "true", False: "false", None: "unknown"}[truth],
            }
            for leaf, truth in static.compiled.deciding(fact)
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
    """(rule id -> switch-off that holds on the record's own day, notices about those that have ended)."""
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
    found = Counter(values)
    return {word: found[word] for word in words}


def _untold_dangers(unassessed: Iterable[tuple[_Static, Sequence[Fact]]]) -> list[dict[str, Any]]:
    """A notice that names the rules about a charted danger that could not be assessed; empty where there is none."""
    rules = [
        static.rule_id
        for static, facts in unassessed
        if facts and static.bound.severity == "critical" and static.bound.rule.about == "event"
    ]
    if not rules:
        return []
    detail = f"The record holds a danger sign and cannot tell what followed it: {', '.join(rules)}. Look at it."
    return [{"code": "danger-not-assessable", "severity": "critical", "detail": detail}]


def _due_later(sheet: FactSheet) -> list[dict[str, Any]]:
    """Notices about duties that fall due after closing. They are never findings."""
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


class _Read:
    """The outcomes, accounts and facts of the rules that are not switched off."""

    def __init__(self, ruleset: Ruleset, decisions: Decisions, sheet: FactSheet, off: Iterable[str]) -> None:
        self._decisions, self._sheet = decisions, sheet
        skipped = set(off)
        self.on = [n for n, s in enumerate(ruleset.static) if s.rule_id not in skipped] if skipped else ruleset.numbers
        self._static = ruleset.static
        odd, tallies = decisions.odd, decisions.tallies
        # A review has hundreds of rules: for a tally with a kept account this is one look-up each, in C.
        told = list(map(call, ruleset.accounts, tallies))
        for number in (*compress(ruleset.numbers, map(is_, told, repeat(None))), *odd):
            told[number] = self._account(number)
        #: Of every rule that is on, in order: rule id -> outcome, and the account.
        self.outcomes: dict[str, str] = {}
        self.accounts: list[dict[str, Any]] = []
        if self.on:
            outcomes, accounts = zip(*(told if not skipped else [told[number] for number in self.on]), strict=True)
            ids = ruleset.ids if not skipped else [ruleset.ids[number] for number in self.on]
            self.outcomes, self.accounts = dict(zip(ids, outcomes, strict=True)), list(accounts)

    def _account(self, number: int) -> tuple[str, dict[str, Any]]:
        static, tally, odd = self._static[number], self._decisions.tallies[number], self._decisions.odd.get(number)
        if odd is not None:
            counted: dict[str, int] = {}
            for _, each in odd.by_fact:
                counted[each] = counted.get(each, 0) + 1
            return odd.outcome, {"rule": static.rule_id, "outcome": odd.outcome, "facts": dict(sorted(counted.items()))}
        if tally:
            return static.account(tally)
        return static.without_facts[self._decisions.without_facts(number)]

    def found(self, number: int) -> list[tuple[Fact, bool]]:
        """(fact, whether it is disputed) of the facts that are findings of a rule."""
        odd = self._decisions.odd.get(number)
        if odd is None:
            return [(self._sheet.facts[index], False) for index in self._decisions.found.get(number, ())]
        return [
            (self._sheet.facts[index], index in odd.disputed)
            for index, outcome in odd.by_fact
            if outcome == "finding" or index in odd.disputed
        ]

    def unassessed(self) -> list[tuple[_Static, list[Fact]]]:
        """The rules that cannot be assessed, each with the facts that are the reason."""
        out = []
        for number in compress(self.on, map(eq, self.outcomes.values(), repeat(NOT_ASSESSABLE))):
            odd = self._decisions.odd.get(number)
            places = (
                self._decisions.open.get(number, ())
                if odd is None
                else [index for index, outcome in odd.by_fact if outcome == NOT_ASSESSABLE]
            )
            out.append((self._static[number], [self._sheet.facts[index] for index in places]))
        return out


def build(
    ruleset: Ruleset,
    intake: Intake,
    sheet: FactSheet,
    decisions: Decisions,
    checkpoint: Checkpoint = never,
    *,
    explain: bool,
) -> Review:
    """The review of one episode. ``explain``: with what decided each rule for each fact."""
    words = ruleset.book.vocabulary
    zone = _Zone(intake.episode)
    off, notices = _switches(ruleset.profile, sheet.closed, zone)
    notices = [
        {"code": n.code, "severity": "info", "detail": n.detail, intake.language: n.pointer} for n in intake.notices
    ] + notices
    read = _Read(ruleset, decisions, sheet, off)
    placed: list[tuple[tuple[Any, ...], dict[str, Any], _Static]] = []
    disagreements = []
    for number in sorted((decisions.found.keys() | decisions.odd.keys()).intersection(read.on)):
        static = ruleset.static[number]
        message, rule = ruleset.book.messages[static.rule_id], static.rule_id
        for fact, disputed in read.found(number):
            checkpoint()
            placed.append((*_finding(static, message, fact, disputed, zone, intake), static))
        odd = decisions.odd.get(number)
        if odd is not None and odd.disputed:
            disagreements.append(rule)
            notices.append(
                {
                    "code": "deciders-disagree",
                    "severity": "critical",
                    "detail": f"Engine and evaluator disagree about {rule}; its findings are shown and marked disputed. Please report it.",
                }
            )
        elif odd is not None and odd.outcome == "error":
            notices.append(
                {
                    "code": "rule-error",
                    "severity": "critical",
                    "detail": f"{rule} could not be decided. Please report it.",
                }
            )
    placed.sort(key=lambda entry: entry[0])
    findings = [finding for _, finding, _ in placed]
    _relate((static, finding) for _, finding, static in placed)
    left, moved, more = _accept(findings, intake.accepted)
    notices += more
    totals = _counts(read.outcomes.values(), OUTCOMES)
    if totals["not_assessable"] * 2 > len(read.on):
        notices.append(
            {
                "code": "mostly-not-assessable",
                "severity": "warning",
                "detail": "More than half of the rules cannot be assessed from this record.",
            }
        )
    unassessed = read.unassessed()
    notices += _untold_dangers(unassessed)
    notices += _due_later(sheet)
    accounts = read.accounts
    if explain:
        accounts = [
            {**account, "explanation": _explain(ruleset.static[number], decisions[number].by_fact, sheet, intake)}
            for number, account in zip(read.on, accounts, strict=True)
        ]
    document: dict[str, Any] = {
        "episode_ref": intake.episode.episode_ref,
        "versions": dict(ruleset.versions),
        "input_digest": intake.digest,
        "summary": {
            "rules": len(read.on),
            **totals,
            "off": len(off),
            "findings": len(left),
            "accepted": len(moved),
            "by_severity": _counts((f["severity"] for f in left), words.severities),
            "by_category": _counts((f["category"] for f in left), words.categories),
            "by_phase": _counts((f["phase"] for f in left), words.phases),
        },
        "findings": left,
        "accounts": accounts,
        "not_assessable": [
            {"rule": static.head, "unknown": _unknown(static, facts, sheet, intake)} for static, facts in unassessed
        ],
        "accepted": moved,
        "off": [off[s.rule] for s in ruleset.profile.off if s.rule in off],
        "notices": notices,
        "cautions": list(CAUTIONS),
    }
    return Review(document, read.outcomes, tuple(disagreements), intake, sheet)
