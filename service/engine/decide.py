"""The decision for every rule: the engine and the evaluator on the same facts, and where they disagree."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Literal, NamedTuple

from service.engine.compile import Catalogue, EngineError, compile_rules
from service.engine.evaluator import (
    CLEAR,
    ERROR,
    FINDING,
    NOT_APPLICABLE,
    NOT_ASSESSABLE,
    OUTCOME_ORDER,
    Compiled,
    compile_rule,
)
from service.engine.fence import Fence
from service.facts.model import RECORDED, Fact, FactSheet
from service.rulebook.model import BoundRule, Leaf

WhenNone = Literal["clear", "not_applicable"]

_NOTHING: frozenset[int] = frozenset()


class RuleDecision(NamedTuple):
    """What was decided for one rule.

    ``outcome`` is one of finding, clear, not_applicable, not_assessable or
    error; ``by_fact`` the same for each fact (by its index in the sheet) that
    the rule is about. ``disputed`` holds the facts for which exactly one of
    engine and evaluator says finding: their outcome is ``error``, and the
    finding is to be shown all the same.
    """

    bound: BoundRule
    outcome: str
    by_fact: tuple[tuple[int, str], ...]
    disputed: frozenset[int]


class Decider:
    """One profile's rules, compiled once for both deciders. Safe to share between threads."""

    def __init__(self, rules: Sequence[BoundRule], catalogue: Catalogue, when_none: Mapping[str, WhenNone]) -> None:
        """Compile. ``when_none``: kind -> outcome when its list is recorded and holds no fact.

        Raises EngineError on rules the engine cannot take or a kind that ``when_none`` does not settle.
        """
        for bound in rules:
            if when_none.get(bound.rule.about) not in (CLEAR, NOT_APPLICABLE):
                raise EngineError(f"{bound.rule.id}: no outcome for the kind {bound.rule.about!r} without facts")
        self._definitions = compile_rules(rules, catalogue)
        self._fence = Fence(self._definitions)
        self._rules = tuple(rules)
        self._compiled = tuple(compile_rule(bound) for bound in rules)
        self._words = tuple(_word(bound, catalogue) for bound in rules)
        self._empty = tuple(RuleDecision(bound, when_none[bound.rule.about], (), _NOTHING) for bound in rules)
        self._untold = tuple(RuleDecision(bound, NOT_ASSESSABLE, (), _NOTHING) for bound in rules)

    def decide(self, sheet: FactSheet) -> tuple[RuleDecision, ...]:
        """One decision per rule, in the order the rules were given.

        Raises NotEvaluated when the engine did not finish, and EngineError for a fact outside the catalogue.
        """
        fired: dict[int, set[int]] = {}
        for number, index in self._fence.fire(sheet.facts):
            fired.setdefault(number, set()).add(index)
        kinds: dict[str, _Kind] = {}
        for index, fact in enumerate(sheet.facts):
            kinds.setdefault(fact.kind, _Kind()).members.append((index, fact))
        decisions = []
        for number, bound in enumerate(self._rules):
            kind = bound.rule.about
            if kind in kinds or number in fired:
                members = kinds.get(kind) or _Kind()
                by_fact, seen = members.outcomes(self._compiled[number], self._words[number])
                decisions.append(_decision(bound, by_fact, seen, fired.get(number, _NOTHING)))
            else:
                # A list nobody spoke of leaves the rule open; only a recorded one says "none".
                told = sheet.drawn_from.get(kind) == RECORDED
                decisions.append((self._empty if told else self._untold)[number])
        return tuple(decisions)

    def self_test(self, cases: Iterable[tuple[str, Fact, str]]) -> list[str]:
        """Decide each (rule id, fact, expected outcome) in both deciders; returns the failures, empty when all hold.

        Run before serving. No case at all is a failure: it would prove nothing.
        """
        numbers = {bound.rule.id: number for number, bound in enumerate(self._rules)}
        failures: list[str] = []
        runnable: list[tuple[str, Fact, str]] = []
        given = 0
        for rule, fact, expected in cases:
            given += 1
            try:
                self._definitions.write(fact)
            except EngineError as error:
                failures.append(f"{rule}: an example cannot be sent: {error}")
                continue
            if rule not in numbers:
                failures.append(f"{rule}: an example of a rule that is not there")
            else:
                runnable.append((rule, fact, expected))
        if not given:
            return ["no examples"]
        try:
            decisions = self.decide(FactSheet(tuple(fact for _, fact, _ in runnable), {}))
        except EngineError as error:
            return [*failures, f"examples not evaluated: {error}"]
        answers = [dict(decision.by_fact) for decision in decisions]
        for index, (rule, fact, expected) in enumerate(runnable):
            number = numbers[rule]
            answer = answers[number].get(index, f"nothing, the rule is not about {fact.kind}")
            if answer != expected:
                said = "engine and evaluator disagree" if index in decisions[number].disputed else answer
                failures.append(f"{rule}: an example should be {expected}, got: {said}")
        return failures


def _word(bound: BoundRule, catalogue: Catalogue) -> tuple[str, object] | None:
    """The attribute and the word that a rule cannot do without: most facts of its kind are settled by it alone."""
    if bound.applies.mode == "all":
        for term in bound.applies.terms:
            if (
                isinstance(term, Leaf)
                and term.op == "eq"
                and catalogue[bound.rule.about][term.attribute].type == "enum"
            ):
                return term.attribute, term.value
    return None


class _Kind:
    """The facts of one kind, and where each word of an attribute stands among them."""

    __slots__ = ("_aside", "_words", "members")

    def __init__(self) -> None:
        self.members: list[tuple[int, Fact]] = []
        self._words: dict[str, dict[object, list[int]]] = {}
        self._aside: tuple[tuple[int, str], ...] | None = None

    def outcomes(
        self, compiled: Compiled, word: tuple[str, object] | None
    ) -> tuple[tuple[tuple[int, str], ...], set[str]]:
        """One rule's outcome for every fact of the kind, and the different ones among them."""
        outcome = compiled.outcome
        try:
            if word is None:
                return _with_seen([(index, outcome(fact)) for index, fact in self.members])
            # False in ``all`` is false whatever else is unknown (Kleene), so another word means not applicable.
            places = self._places(*word)
            aside = self._not_applicable()
            if not places:
                return aside, {NOT_APPLICABLE} if aside else set()
            found = list(aside)
            seen = {NOT_APPLICABLE} if len(places) < len(aside) else set()
            for place in places:
                index, fact = self.members[place]
                decided = outcome(fact)
                found[place] = (index, decided)
                seen.add(decided)
            return tuple(found), seen
        except Exception:  # noqa: BLE001 - reported as the outcome error
            # One fact failed: find out which, and keep the answers of the others.
            return _with_seen([(index, _guarded(compiled, fact)) for index, fact in self.members])

    def _not_applicable(self) -> tuple[tuple[int, str], ...]:
        if self._aside is None:
            self._aside = tuple([(index, NOT_APPLICABLE) for index, _ in self.members])
        return self._aside

    def _places(self, name: str, value: object) -> list[int]:
        """Places of the facts whose attribute has this word or is not known."""
        words = self._words.get(name)
        if words is None:
            words = self._words[name] = {}
            for place, (_, fact) in enumerate(self.members):
                words.setdefault(fact.values.get(name), []).append(place)
        unknown = words.get(None)
        known = words.get(value, [])
        return known if unknown is None else [*known, *unknown]


def _guarded(compiled: Compiled, fact: Fact) -> str:
    try:
        return compiled.outcome(fact)
    except Exception:  # noqa: BLE001 - reported as the outcome error; the text can quote the fact and stays behind
        return ERROR


def _with_seen(by_fact: list[tuple[int, str]]) -> tuple[tuple[tuple[int, str], ...], set[str]]:
    return tuple(by_fact), {outcome for _, outcome in by_fact}


def _decision(
    bound: BoundRule, by_fact: tuple[tuple[int, str], ...], seen: set[str], fired: set[int] | frozenset[int]
) -> RuleDecision:
    if not fired and FINDING not in seen:
        return RuleDecision(bound, _first(seen), by_fact, _NOTHING)
    disputed = _NOTHING
    found = {index for index, outcome in by_fact if outcome == FINDING}
    if found != fired:
        disputed = frozenset(found ^ fired)
        by_fact = tuple(sorted({**dict(by_fact), **dict.fromkeys(disputed, ERROR)}.items()))
        seen = {ERROR}
    return RuleDecision(bound, _first(seen), by_fact, disputed)


def _first(seen: set[str]) -> str:
    """The first outcome in order; ``seen`` is never empty."""
    for outcome in OUTCOME_ORDER[:-1]:
        if outcome in seen:
            return outcome
    return OUTCOME_ORDER[-1]
