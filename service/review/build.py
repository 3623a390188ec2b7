"""The review: the whole answer for one episode, as plain data in a fixed order.

Shapes are those of the contract (``openapi.yaml``, components ``Review`` and
``Finding``). Nothing here reads a clock; two calls with the same input give
the same document.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from operator import itemgetter
from typing import Any, Literal, NamedTuple

from service.checkpoint import Checkpoint, never
from service.engine.decide import Decisions
from service.engine.evaluator import ERROR, NOT_APPLICABLE, NOT_ASSESSABLE
from service.episode import record
from service.episode.moment import Moment
from service.facts.fact import FactSheet
from service.intake.result import Intake
from service.wording.clock import Clock

from . import notices as tell
from .causes import Causes
from .explanation import accounts
from .findings import Finding, accepted_document, stories
from .instances import Instance, instance, span_document
from .not_assessable import not_assessable
from .patient import patient
from .ruleset import RuleEntry, Ruleset
from .standing import Standing, settle
from .unjudged import Teller, Unjudged, unjudged
from .unread import unread

OUTCOMES = ("clear", "finding", "not_applicable", "not_assessable", "error")
CAUTIONS = (
    "This review supports quality review. It is not a medical device.",
    "It is not medical or legal advice.",
    "Local protocol and medical direction always win over anything said here.",
    "No finding is not proof of good care: only what is charted can be read.",
)
NOT_A_MONITOR = "The call is still running: this is not a monitor; do not poll."

Stage = Literal["open", "closing"]


class Wanted(NamedTuple):
    """What the caller asks of a review.

    ``explain``: what decided each rule, with the accounts; ``accounts``: the outcome of each rule; ``full``: reason
    and sources of each finding; ``stage``: ``open`` while the call is still running.
    """

    explain: bool = False
    accounts: bool = False
    full: bool = False
    stage: Stage = "closing"


AT_CLOSING = Wanted()


@dataclass(frozen=True, slots=True)
class Review:
    """One review. ``document``: the ``Review`` of the contract, which every representation is made of.

    ``outcomes``: rule id -> outcome. ``disagreements``: ids of the rules on
    which engine and evaluator disagreed. ``found``: rule id -> every instance
    that it finds, whatever becomes of it. ``intake`` and ``sheet``: what the
    review rests on, for the pages that draw the episode.
    """

    document: dict[str, Any]
    outcomes: Mapping[str, str]
    disagreements: tuple[str, ...]
    found: Mapping[str, Sequence[Instance]]
    intake: Intake
    sheet: FactSheet


def ends_of_call(episode: record.Episode) -> list[str]:
    """Pointers of the members by which the call is over; it is then reviewed as at closing."""
    ends = {
        "/transport/ended/time": isinstance(episode.transport.ended.time, Moment),
        "/transport/ended/how": isinstance(episode.transport.ended.how, str),
        "/handover/time": isinstance(episode.handover.time, Moment),
        "/chart/closed": isinstance(episode.chart.closed, Moment),
    }
    return [pointer for pointer, charted in ends.items() if charted]


def build(
    ruleset: Ruleset,
    intake: Intake,
    sheet: FactSheet,
    decisions: Decisions,
    wanted: Wanted = AT_CLOSING,
    checkpoint: Checkpoint = never,
) -> Review:
    """The review of one episode. ``sheet``: of a running call where ``stage`` is open and ``ends_of_call`` names none."""
    ended = ends_of_call(intake.episode) if wanted.stage == "open" else []
    stage: Stage = "closing" if ended else wanted.stage
    clock = Clock(intake.episode, sheet.began)
    vocabulary = ruleset.book.vocabulary
    off, notices = tell.of_switches(ruleset.profile, sheet.closed, clock)
    on = {n: entry for n, entry in ruleset.rules.items() if entry.rule.id not in off} if off else ruleset.rules
    running = stage == "open"
    asked = {n: entry for n, entry in on.items() if entry.rule.due == "now"} if running else on
    outcomes = _outcomes(ruleset, on, asked, decisions)

    found: dict[int, list[Instance]] = {}
    for number in sorted(decisions.found.keys() & asked.keys()):
        entry, disputed = asked[number], decisions.disputed.get(number, ())
        for index in decisions.found[number]:
            checkpoint()
            one = instance(entry, index, sheet.facts[index], index in disputed)
            found.setdefault(number, []).append(one)
    standings, matched = settle(ruleset, found, intake.accepted)
    findings = [Finding(s.entry, s.findings) for s in standings.values() if s.findings]
    findings.sort(key=lambda finding: finding.most_urgent_first)

    causes = Causes(intake.episode, sheet, vocabulary)
    about_patient = patient(intake.episode, running=running)
    died = about_patient["state"] == "died"
    teller = Teller(vocabulary, intake, clock, died=died)
    doubtful = sorted((decisions.open.keys() | ruleset.critical_duties) & asked.keys())
    open_ = unjudged([asked[number] for number in doubtful], decisions, sheet, vocabulary, causes)
    open_.sort(key=lambda one: one.most_urgent_first)
    beside = unread(intake, clock, vocabulary.severities, vocabulary.concerns)
    beside += [(one.most_urgent_first, teller.document(one)) for one in open_]
    beside.sort(key=itemgetter(0))
    documents = []
    for finding, story in zip(findings, stories(findings), strict=True):
        checkpoint()
        documents.append(finding.document(intake, clock, story, full=wanted.full, died=died))
    accepted = [s for s in standings.values() if s.accepted]
    disputed_rules = [ruleset.rules[number].rule.id for number in decisions.disputed if number in asked]
    said = list(outcomes.values())
    totals = {outcome: said.count(outcome) for outcome in OUTCOMES}
    failed = (
        [i for i, outcome in outcomes.items() if outcome == ERROR and i not in disputed_rules] if totals[ERROR] else []
    )

    document: dict[str, Any] = {
        "episode_ref": intake.episode.episode_ref,
        "versions": dict(ruleset.versions),
        "input_digest": intake.digest,
        "stage": stage,
        "patient": about_patient,
        "tell_now": _tell_now(findings, documents, open_, teller, clock, died=died),
        "summary": {
            "rules": len(on),
            **{outcome: totals[outcome] for outcome in OUTCOMES},
            "off": len(off),
            **_ends(standings.values()),
            "unjudged": len(beside),
            "by_severity": _counts(documents, "severity", vocabulary.severities),
            "by_category": _counts(documents, "category", vocabulary.categories),
            "by_concern": _counts(documents, "concern", vocabulary.concerns),
            "by_handler": _counts(documents, "handled_by", ("author", "reviewer")),
        },
        "findings": documents,
        "counted": [
            {"rule": s.entry.rule.id, "title": s.entry.rule.title, "facts": s.counted}
            for s in standings.values()
            if s.counted
        ],
        "covered": [
            {"rule": s.entry.rule.id, "by": by, "facts": facts}
            for s in standings.values()
            for by, facts in s.covered.items()
        ],
        "unjudged": [document for _, document in beside],
        "not_assessable": not_assessable(
            [asked[n] for n, said in enumerate(decisions.outcomes) if said == NOT_ASSESSABLE and n in asked],
            decisions,
            sheet,
            causes,
        ),
        "accepted": [
            accepted_document(s.entry, s.accepted, intake, clock, full=wanted.full, died=died) for s in accepted
        ],
        "off": [
            {"rule": s.rule, "reason": s.reason, "owner": s.owner, "ends": s.ends}
            for s in ruleset.profile.off
            if s.rule in off
        ],
        "notices": [
            *tell.of_reading(intake),
            *notices,
            *tell.of_deciders(disputed_rules, failed),
            *tell.of_stage(ended, intake),
            *tell.of_acceptances(matched, len(intake.accepted)),
            *tell.of_lost_ids(findings, intake),
            *tell.of_cut(findings),
            *tell.of_amount(len(on), totals[NOT_ASSESSABLE]),
            *tell.of_what_falls_due(sheet),
        ],
        "cautions": [*CAUTIONS, NOT_A_MONITOR] if running else list(CAUTIONS),
    }
    if wanted.accounts or wanted.explain:
        document["accounts"] = accounts(on.values(), decisions, outcomes, sheet, intake, explain=wanted.explain)
    by_rule = {ruleset.rules[number].rule.id: instances for number, instances in found.items()}
    return Review(document, outcomes, tuple(disputed_rules), by_rule, intake, sheet)


def _outcomes(
    ruleset: Ruleset, on: Mapping[int, RuleEntry], asked: Mapping[int, RuleEntry], decisions: Decisions
) -> dict[str, str]:
    """Rule id -> outcome, of every rule that is on; what a running call is not asked yet is not applicable."""
    found = dict(zip(ruleset.ids, decisions.outcomes, strict=True))
    if asked is ruleset.rules:
        return found
    for number, rule in enumerate(ruleset.ids):
        if number not in on:
            del found[rule]
        elif number not in asked:
            found[rule] = NOT_APPLICABLE
    return found


def _tell_now(
    findings: Sequence[Finding],
    documents: Sequence[Mapping[str, Any]],
    open_: Iterable[Unjudged],
    teller: Teller,
    clock: Clock,
    *,
    died: bool,
) -> list[dict[str, Any]]:
    """A line for every critical finding, and for every critical danger that stays unjudged, the most urgent first."""
    lines: list[tuple[tuple[Any, ...], dict[str, Any]]] = []
    for finding, document in zip(findings, documents, strict=True):
        if finding.entry.bound.severity == "critical":
            worst = document["instances"][0]
            line = _line(
                finding.entry, finding.told_in_a_line(clock, died=died), finding.entry.rule.id, worst["pointers"]
            )
            line["span"] = worst["span"]
            lines.append((finding.most_urgent_first, line))
    for one in open_:
        if one.is_critical_danger:
            line = _line(one.entry, teller.tell_now(one), None, teller.pointers(one.dangers[0]))
            line["span"] = span_document(one.span(), clock)
            lines.append((one.most_urgent_first, line))
    lines.sort(key=lambda each: each[0])
    return [line for _, line in lines]


def _line(entry: RuleEntry, text: str, finding: str | None, pointers: list[dict[str, Any]]) -> dict[str, Any]:
    return {
        "text": text,
        "severity": entry.bound.severity,
        "concern": entry.rule.concern,
        "rule": entry.rule.id,
        "finding": finding,
        "pointers": pointers,
    }


def _ends(standings: Iterable[Standing]) -> dict[str, int]:
    """Every rule with a finding in exactly one of four: findings, else accepted, else counted, else covered."""
    out = dict.fromkeys(("findings", "accepted", "counted", "covered"), 0)
    for standing in standings:
        if standing.findings:
            out["findings"] += 1
        elif standing.accepted:
            out["accepted"] += 1
        elif standing.counted:
            out["counted"] += 1
        else:
            out["covered"] += 1
    return out


def _counts(documents: Iterable[Mapping[str, Any]], member: str, words: Sequence[str]) -> dict[str, int]:
    found = Counter(document[member] for document in documents)
    return {word: found[word] for word in words}
