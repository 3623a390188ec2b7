"""The decision for every rule, by two deciders on the same facts: the engine (durable-rules) and the evaluator.

The engine can drop facts without an error, and a missed safety finding is the
worst fault this service can have. The evaluator is needed anyway to tell clear
from not applicable and not assessable. Where the two disagree about a rule its
outcome is ``error`` and the finding is shown, marked as disputed. Only an
evaluation that the engine did not finish has no result.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import compress
from typing import Literal, NamedTuple, overload

from service.checkpoint import Checkpoint, never
from service.facts.fact import RECORDED, Fact, FactSheet
from service.rulebook.rule import BoundRule

from . import generated
from .compile import Catalogue, EngineError, compile_rules
from .evaluator import CLEAR, ERROR, FINDING, NOT_APPLICABLE, NOT_ASSESSABLE, OUTCOME_ORDER, CompiledRule, compile_rule
from .fence import Fence

WhenNone = Literal["clear", "not_applicable"]

_ByFact = tuple[tuple[int, str], ...]
_Answers = dict[str, list[tuple[int, generated.Part, tuple[int, ...]]]]


class RuleDecision(NamedTuple):
    """What was decided for one rule, fact by fact.

    ``outcome`` is one of finding, clear, not_applicable, not_assessable or
    error; ``by_fact`` the same for each fact (by its index in the sheet) that
    the rule is about. ``disputed`` holds the facts for which exactly one of
    engine and evaluator says finding: their outcome is ``error``, and the
    finding is to be shown all the same.
    """

    bound: BoundRule
    outcome: str
    by_fact: _ByFact
    disputed: frozenset[int]


class Decisions(Sequence[RuleDecision]):
    """What was decided for every rule, by its number.

    ``outcomes``: the outcome of each rule. ``found``: rule -> indexes of the facts that are its findings, those that
    are ``disputed`` among them. ``open``: rule -> indexes of the facts that it cannot assess. All indexes are in order.
    An item says the same of one rule fact by fact; it is made when it is asked for.
    """

    __slots__ = ("_answers", "_decider", "_settled", "disputed", "found", "open", "outcomes")

    def __init__(self, decider: Decider, answers: _Answers) -> None:
        self._decider, self._answers = decider, answers
        self._settled: dict[int, _ByFact] = {}
        self.outcomes: list[str] = []
        self.found: dict[int, list[int]] = {}
        self.open: dict[int, list[int]] = {}
        self.disputed: dict[int, frozenset[int]] = {}

    def __len__(self) -> int:
        return len(self.outcomes)

    @overload
    def __getitem__(self, number: int) -> RuleDecision: ...

    @overload
    def __getitem__(self, number: slice) -> Sequence[RuleDecision]: ...

    def __getitem__(self, number: int | slice) -> RuleDecision | Sequence[RuleDecision]:
        if isinstance(number, slice):
            return [self[n] for n in range(*number.indices(len(self)))]
        number = range(len(self))[number]
        by_fact, disputed = self.by_fact(number), self.disputed.get(number, frozenset())
        return RuleDecision(self._decider.rules[number], self.outcomes[number], by_fact, disputed)

    def __iter__(self) -> Iterator[RuleDecision]:
        return (self[number] for number in range(len(self)))

    def by_fact(self, number: int) -> _ByFact:
        """(index of the fact, outcome) of every fact that a rule is about."""
        if number in self._settled:
            return self._settled[number]
        return tuple(
            (index, NOT_APPLICABLE if (place := part.places.get(number)) is None else generated.OUTCOMES[says[place]])
            for index, part, says in self._answers.get(self._decider.about[number], ())
        )

    def settle(self, number: int, by_fact: _ByFact, disputed: frozenset[int]) -> None:
        """Put the outcomes of a rule that was decided again in place of the first."""
        seen = {outcome for _, outcome in by_fact}
        self._settled[number] = by_fact
        self.outcomes[number] = next(outcome for outcome in OUTCOME_ORDER if outcome in seen)
        shown = [index for index, outcome in by_fact if outcome == FINDING or index in disputed]
        unknown = [index for index, outcome in by_fact if outcome == NOT_ASSESSABLE]
        for listed, indexes in ((self.found, shown), (self.open, unknown)):
            listed.pop(number, None)
            if indexes:
                listed[number] = indexes
        if disputed:
            self.disputed[number] = disputed


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
        self.rules = tuple(rules)
        self.when_none = dict(when_none)
        self._compiled = tuple(compile_rule(bound) for bound in rules)
        self.about = tuple(bound.rule.about for bound in rules)
        self._kinds = generated.compile_kinds(rules, catalogue)

    def decide(self, sheet: FactSheet, checkpoint: Checkpoint = never) -> Decisions:
        """One decision per rule, in the order the rules were given.

        Raises NotEvaluated when the engine did not finish, and EngineError for a fact outside the catalogue.
        """
        fired = self._fence.fire(sheet.facts, checkpoint)
        answers: _Answers = {}
        doubtful: set[str] = set()
        for index, fact in enumerate(sheet.facts):
            checkpoint()
            kind = self._kinds.get(fact.kind)
            if kind is None:
                continue
            try:
                part, says = kind.ask(fact)
            except Exception:  # noqa: BLE001 - these rules are decided again, and an error there is their outcome
                doubtful.add(fact.kind)
                part, says = kind.whole, (0,) * len(kind.whole.rules)
            answers.setdefault(fact.kind, []).append((index, part, says))
        out = Decisions(self, answers)
        findings = self._add_up(out, answers, sheet)
        if doubtful or findings != fired:
            self._settle(out, sheet, doubtful, findings, fired)
        return out

    def _add_up(self, out: Decisions, answers: _Answers, sheet: FactSheet) -> set[tuple[int, int]]:
        """Set the outcomes of ``out`` from every fact's answers; the (rule number, index of the fact) that are findings."""
        gravest = [0] * len(self.rules)
        findings = set()
        for listed in answers.values():
            for index, part, says in listed:
                for number, said in compress(zip(part.rules, says, strict=True), says):
                    if said > gravest[number]:
                        gravest[number] = said
                    if said == generated.FOUND:
                        findings.add((number, index))
                        out.found.setdefault(number, []).append(index)
                    elif said == generated.OPEN:
                        out.open.setdefault(number, []).append(index)
        out.outcomes = [generated.OUTCOMES[said] for said in gravest]
        for kind in self._kinds.keys() - answers.keys():
            # Only a list that is recorded and empty says that there was none.
            none = self.when_none[kind] if sheet.drawn_from.get(kind) == RECORDED else NOT_ASSESSABLE
            for number in self._kinds[kind].whole.rules:
                out.outcomes[number] = none
        return findings

    def _settle(
        self,
        out: Decisions,
        sheet: FactSheet,
        doubtful: set[str],
        findings: set[tuple[int, int]],
        fired: set[tuple[int, int]],
    ) -> None:
        """Decide again, fact by fact, the rules on which the deciders differ or whose generated function failed."""
        suspects = {number for number, _ in findings ^ fired}
        suspects |= {number for number, kind in enumerate(self.about) if kind in doubtful}
        for number in sorted(suspects):
            bound, compiled = self.rules[number], self._compiled[number]
            by_fact = [
                (i, _guarded(compiled, fact)) for i, fact in enumerate(sheet.facts) if fact.kind == bound.rule.about
            ]
            if bound.rule.about in doubtful:
                found = {index for index, outcome in by_fact if outcome == FINDING}
            else:  # what the generated function said: where it alone is wrong, that is a dispute too
                found = {index for rule, index in findings if rule == number}
            disputed = frozenset(found ^ {index for rule, index in fired if rule == number})
            out.settle(number, tuple(sorted({**dict(by_fact), **dict.fromkeys(disputed, ERROR)}.items())), disputed)

    def self_test(self, cases: Iterable[tuple[str, Fact, str]]) -> list[str]:
        """Decide each (rule id, fact, expected outcome) in both deciders; the failures, one line each.

        Run before serving. No case at all is a failure: it would prove nothing.
        """
        numbers = {bound.rule.id: number for number, bound in enumerate(self.rules)}
        failures: list[str] = []
        runnable: list[tuple[str, Fact, str]] = []
        given = 0
        for rule, fact, expected in cases:
            given += 1
            try:
                self._definitions.write((fact,))
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


def _guarded(compiled: CompiledRule, fact: Fact) -> str:
    try:
        return compiled.outcome(fact)
    except Exception:  # noqa: BLE001 - becomes the outcome error; its text can quote the fact, so it goes no further
        return ERROR
