"""What stays unjudged: a danger stands in the record, and the record cannot tell whether it was answered.

So does a critical duty for which the sender's system has no place. Neither is
ever a pass, and a danger is shown beside the findings with its own severity.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import msgspec

from service.engine.decide import Decisions
from service.episode.absence import NOT_COLLECTED
from service.facts.fact import Fact, FactSheet
from service.intake.result import Intake
from service.rulebook.vocabulary import Vocabulary, ucum
from service.wording.clock import Clock
from service.wording.headings import sentence, why_unknown
from service.wording.quantities import quantity
from service.wording.words import word

from .causes import Cause, Causes
from .instances import Span, and_more, span_document, span_of, worst_first
from .places import told
from .ruleset import RuleEntry

#: Attributes by which rules of one danger are told apart, and in whose care it was: where only these are unknown the
#: gravest rule speaks.
BANDS = frozenset(
    {
        "in_care",
        "ep_age_years",
        "ep_age_months",
        "ep_age_or_grown",
        "ep_pregnant",
        "ep_gestation_weeks",
        "route",
        "route_group",
    }
)


@dataclass(frozen=True, slots=True)
class Unjudged:
    """One rule and one cause. ``dangers``: the facts that stand in the record, the worst first; none for a duty."""

    entry: RuleEntry
    causes: tuple[Cause, ...]
    dangers: tuple[Fact, ...]

    @property
    def is_critical_danger(self) -> bool:
        """Whether it belongs into ``tell_now``."""
        return self.entry.bound.severity == "critical" and bool(self.dangers)

    def span(self) -> Span | None:
        """The time of the worst danger that has one."""
        return next((span for fact in self.dangers if (span := span_of(self.entry, fact)) is not None), None)

    @property
    def most_urgent_first(self) -> tuple[Any, ...]:
        """Sort key: severity, concern, time (none comes last), rule id, cause."""
        span, rule = self.span(), self.entry.rule
        return (*self.entry.urgency, span is None, 0 if span is None else span[0], rule.id, self.causes)


def unjudged(
    entries: Iterable[RuleEntry], decisions: Decisions, sheet: FactSheet, vocabulary: Vocabulary, causes: Causes
) -> list[Unjudged]:
    """What stays unjudged of the rules ``entries``.

    Several rules may be open for one danger and one cause: the gravest speaks.
    """
    duties: list[Unjudged] = []
    speaks: dict[tuple[int, tuple[Cause, ...]], RuleEntry] = {}
    for entry in entries:
        opened = decisions.open.get(entry.number, ())
        if entry.rule.category == "safety" and vocabulary.kinds[entry.rule.about].danger:
            for index in opened:
                fact = sheet.facts[index]
                stands = entry.compiled.applies.truth(fact) and not _left_blank(entry, fact, vocabulary)
                if (stands or _only_a_band(entry, fact)) and _could_be(entry, fact):
                    danger = (index, tuple(causes.of_fact(entry, fact)))
                    known = speaks.setdefault(danger, entry)
                    if entry.urgency[0] < known.urgency[0]:
                        speaks[danger] = entry
        elif (
            entry.rule.category == "completeness"
            and entry.bound.severity == "critical"
            and (duty := _duty(entry, opened, decisions, sheet, causes))
        ):
            duties.append(Unjudged(entry, (duty,), ()))
    dangers: dict[tuple[int, tuple[Cause, ...]], tuple[RuleEntry, list[Fact]]] = {}
    for (index, because), entry in speaks.items():
        dangers.setdefault((entry.number, because), (entry, []))[1].append(sheet.facts[index])
    return duties + [
        Unjudged(entry, because, tuple(sorted(facts, key=partial(_worst_first, entry))))
        for (_, because), (entry, facts) in dangers.items()
    ]


def _worst_first(entry: RuleEntry, danger: Fact) -> tuple[Any, ...]:
    return worst_first(entry.rule.worst_by, danger.values.get("worst"), span_of(entry, danger))


def _could_be(entry: RuleEntry, fact: Fact) -> bool:
    """Whether the rule could find the danger if nothing had been done for it: its charted worst is known."""
    worst = fact.values.get("worst")
    if worst is None:
        return True
    supposed = dict.fromkeys(("unanswered_worst", "unrechecked_worst", "answered_worst"), worst)
    unanswered = msgspec.structs.replace(
        fact, values={**supposed, "unanswered": True, "unrechecked": True, **fact.values}
    )
    return entry.compiled.fails.truth(unanswered) is not False


def _left_blank(entry: RuleEntry, fact: Fact, vocabulary: Vocabulary) -> bool:
    """Whether the record says nothing of the danger itself: a strap whose anchor was left blank is no danger yet.

    Every restrained patient has straps and a posture. What was worked out from times leaves a danger open; what is
    not said of the thing itself stands in ``not_assessable``.
    """
    derived = vocabulary.kinds[fact.kind].derived
    unknown = entry.compiled.unknowns(fact)
    return bool(unknown) and all(name not in derived for name, _ in unknown)


def _only_a_band(entry: RuleEntry, fact: Fact) -> bool:
    if entry.compiled.fails.truth(fact) is False:
        return False
    return all(name in BANDS for name, _ in entry.compiled.unknowns(fact))


def _duty(
    entry: RuleEntry, opened: Sequence[int], decisions: Decisions, sheet: FactSheet, causes: Causes
) -> Cause | None:
    """The list that the sender's system does not collect and a critical duty rests on."""
    if decisions.outcomes[entry.number] != "not_assessable":
        return None
    if not opened:
        found = [causes.of_kind(entry.rule.about)]
    else:
        found = [cause for index in opened for cause in causes.of_fact(entry, sheet.facts[index])]
    return next((cause for cause in found if cause.state == NOT_COLLECTED.state), None)


class Teller:
    """Says what stays unjudged, in words and as the contract has it."""

    def __init__(self, vocabulary: Vocabulary, intake: Intake, clock: Clock, *, died: bool) -> None:
        self._kinds, self._units, self._intake, self._clock = vocabulary.kinds, vocabulary.units, intake, clock
        self._died = died

    def tell_now(self, one: Unjudged) -> str:
        """The danger, that nobody can tell what followed, and what to check or tell unless the patient died."""
        first, *more = one.dangers
        told_now = one.entry.texts.tell_now
        assert told_now is not None  # every critical rule has one
        at = self._at(one.entry, first)
        act = "" if self._died else " " + told_now.render(first.values, one.entry.bound.values, at).partition(". ")[2]
        also = and_more([span_of(one.entry, fact) for fact in more], self._clock)
        return f"{self._danger(one.entry, first)}. What followed cannot be told from the record.{act}{also}"

    def document(self, one: Unjudged) -> dict[str, Any]:
        """One entry of ``unjudged``."""
        entry, cause = one.entry, one.causes[0]
        why = f"cannot be told ({why_unknown(cause.document())})."
        what = (
            f"{self._danger(entry, one.dangers[0])}. What followed {why}"
            if one.dangers
            else f"Whether it was done {why}"
        )
        out: dict[str, Any] = {
            "rule": entry.head,
            "outcome": "not_assessable",
            "severity": entry.bound.severity,
            "concern": entry.rule.concern,
            "title": entry.rule.title,
            "message": what,
        }
        if one.is_critical_danger:
            out["tell_now"] = self.tell_now(one)
        out["because"] = [{"path": each.path, "state": each.state} for each in one.causes]
        out["instances"] = [
            {
                "message": f"{self._danger(entry, fact)}.",
                "span": span_document(span_of(entry, fact), self._clock),
                "pointers": self.pointers(fact),
            }
            for fact in one.dangers
        ]
        return out

    def pointers(self, fact: Fact) -> list[dict[str, Any]]:
        """The places of a danger."""
        return [told(place, self._intake) for place in fact.pointers]

    def _at(self, entry: RuleEntry, fact: Fact) -> str:
        span = span_of(entry, fact)
        return "" if span is None else self._clock.text(span[0])

    def _danger(self, entry: RuleEntry, fact: Fact) -> str:
        """``Low oxygen saturation, 78 %, at 18:36``."""
        said = [word(str(fact.values.get(self._kinds[fact.kind].danger, fact.key)))]
        worst = fact.values.get("worst")
        unit = self._unit_of_reading(entry)
        if isinstance(worst, int) and unit is not None:
            said.append(quantity(worst / self._units[unit][1], ucum(unit)))
        at = self._at(entry, fact)
        if at:
            said.append(f"at {at}")
        return sentence(", ".join(said))

    def _unit_of_reading(self, entry: RuleEntry) -> str | None:
        attributes = self._kinds[entry.rule.about].attributes
        units = {p.name: p.unit for p in entry.rule.parameters}
        for group in (entry.rule.applies_when, entry.rule.fails_when):
            for leaf in group.leaves():
                if leaf.parameter and attributes[leaf.attribute].unit == "reading":
                    return units[leaf.parameter]
        return None
