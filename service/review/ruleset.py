"""What all reviews under one profile share: the rules as they are bound, and what is said of each whatever the episode is."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from service.engine.evaluator import CompiledRule, compile_rule
from service.rulebook.load import Rulebook
from service.rulebook.rule import BoundRule, Profile, Rule
from service.rulebook.rule_file import RuleTexts
from service.rulebook.vocabulary import ucum

#: Attributes that say of an answer that it is not there, wherever a rule asks for them.
_ABSENCES = frozenset({"unanswered", "unrechecked"})


@dataclass(frozen=True, slots=True)
class RuleEntry:
    """One rule under one profile.

    ``number``: its place in the rulebook. ``rule``: as written. ``urgency``: sorts by severity and concern, the most urgent first.
    ``asked``: of a rule of completeness, path of the contract of each member that it may find missing, by attribute.
    ``opening`` and ``closing``: the members of a finding that do not depend on the episode, ``closing_in_full`` with
    the reason and the sources whole. ``spans``: attributes whose time is that of a finding, the first that has one.
    """

    number: int
    rule: Rule
    bound: BoundRule
    texts: RuleTexts
    compiled: CompiledRule
    urgency: tuple[int, int]
    head: Mapping[str, Any]
    opening: Mapping[str, Any]
    closing: Mapping[str, Any]
    closing_in_full: Mapping[str, Any]
    spans: tuple[str, ...]
    asked: Mapping[str, tuple[str, ...]]


@dataclass(frozen=True, slots=True)
class Ruleset:
    """All rules under one profile. ``rules``: by their number, ``ids``: theirs in that order. ``critical_duties``: the numbers of the critical rules of
    completeness. ``uppermost_first``: the numbers of the rules that yield to others, each after those that it yields to."""

    book: Rulebook
    profile: Profile
    versions: Mapping[str, str]
    rules: Mapping[int, RuleEntry]
    ids: tuple[str, ...]
    critical_duties: frozenset[int]
    uppermost_first: tuple[int, ...]

    @classmethod
    def of(cls, book: Rulebook, profile: Profile, bound: tuple[BoundRule, ...], service: str, api: str) -> Ruleset:
        """What reviews under this profile share. ``service`` and ``api``: versions."""
        rules = tuple(_entry(number, one, book) for number, one in enumerate(bound))
        duties = frozenset(
            entry.number
            for entry in rules
            if entry.rule.category == "completeness" and entry.bound.severity == "critical"
        )
        return cls(
            book,
            profile,
            versions(book, profile, service, api),
            {entry.number: entry for entry in rules},
            tuple(entry.rule.id for entry in rules),
            duties,
            _uppermost_first(rules),
        )


def versions(book: Rulebook, profile: Profile, service: str, api: str) -> dict[str, str]:
    """The ``versions`` of every review under a profile."""
    return {
        "api": api,
        "service": service,
        "ruleset": f"{book.name} {book.version}",
        "ruleset_digest": book.digest,
        "profile": f"{profile.id} {profile.version}",
        "profile_digest": book.profile_digests[profile.id],
        **{f"profile_{part}": str(profile.raw[part]) for part in ("edition", "reviewed") if part in profile.raw},
    }


def _entry(number: int, bound: BoundRule, book: Rulebook) -> RuleEntry:
    rule, words = bound.rule, book.vocabulary
    head = {"id": rule.id, "name": rule.name, "revision": rule.revision}
    opening = {
        "rule": head,
        "severity": bound.severity,
        "category": rule.category,
        "concern": rule.concern,
        "phase": rule.phase,
        "handled_by": bound.handled_by,
        "title": rule.title,
    }
    closing = {"parameters": _parameters(bound), "sources": _sources(rule, book, full=False), "key": rule.id}
    in_full = {"why": rule.why, **closing, "sources": _sources(rule, book, full=True)}
    spans = tuple(dict.fromkeys(leaf.attribute for leaf in bound.fails.leaves()))
    if rule.worst_by is not None:
        spans = (rule.worst_by.attribute, *spans)
    urgency = (words.severities.index(bound.severity), words.concerns.index(rule.concern))
    texts = book.texts[rule.id]
    asked = {}
    if rule.category == "completeness":
        attributes = words.kinds[rule.about].attributes
        leaves = [*bound.fails.leaves(), *(leaf for leaf in bound.applies.leaves() if leaf.attribute in _ABSENCES)]
        asked = {leaf.attribute: attributes[leaf.attribute].inputs for leaf in leaves}
    compiled = compile_rule(bound)
    return RuleEntry(number, rule, bound, texts, compiled, urgency, head, opening, closing, in_full, spans, asked)


def _parameters(bound: BoundRule) -> dict[str, dict[str, Any]]:
    return {p.name: {"value": bound.values[p.name], "unit": ucum(p.unit)} for p in bound.rule.parameters}


def _sources(rule: Rule, book: Rulebook, *, full: bool) -> list[dict[str, Any]]:
    out = []
    for source in rule.sources:
        entry = book.sources[source.key]
        of = {name: entry[name] for name in ("title", "publisher", "edition")} if full else {}
        out.append({"key": source.key, **of, "locator": source.locator, "confidence": source.confidence})
    return out


def _uppermost_first(rules: tuple[RuleEntry, ...]) -> tuple[int, ...]:
    by_id = {entry.rule.id: entry for entry in rules}
    order: dict[int, None] = {}

    def add(entry: RuleEntry) -> None:
        for upper in entry.rule.yields_to:
            add(by_id[upper.rule])
        if entry.rule.yields_to:
            order[entry.number] = None

    for entry in rules:
        add(entry)
    return tuple(order)
