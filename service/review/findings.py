"""Findings: one for each rule that fails, with its instances, the worst first."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from service.intake.result import Acceptance, Intake
from service.wording.clock import Clock

from .instances import Instance, and_more
from .ruleset import RuleEntry

#: Instances of one finding that are listed; those beyond are counted in ``more``.
MOST_INSTANCES = 200


class Finding:
    """One rule and the instances that stand, the worst first."""

    def __init__(self, entry: RuleEntry, instances: Iterable[Instance]) -> None:
        self.entry = entry
        self.instances = sorted(instances, key=lambda one: one.worst_first)

    @property
    def most_urgent_first(self) -> tuple[Any, ...]:
        """Sort key: severity, concern, start of the worst instance (no time comes last), rule id."""
        span = self.instances[0].span
        return (*self.entry.urgency, span is None, 0 if span is None else span[0], self.entry.rule.id)

    def tell_now(self, clock: Clock, *, died: bool) -> str | None:
        """What the crew must hear at once, about the worst instance; None for a rule that is never critical.

        Of its two sentences the second says what to check or tell: not of a patient who ``died``.
        """
        text, worst = self.entry.texts.tell_now, self.instances[0]
        if text is None:
            return None
        told = text.render(worst.fact.values, self.entry.bound.values, worst.at(clock))
        return f"{told.partition('. ')[0]}." if died else told

    def told_in_a_line(self, clock: Clock, *, died: bool) -> str:
        """``tell_now``, and when the other instances were."""
        return (self.tell_now(clock, died=died) or "") + and_more([one.span for one in self.instances[1:]], clock)

    def document(self, intake: Intake, clock: Clock, story: int | None, *, full: bool, died: bool) -> dict[str, Any]:
        """The finding as the contract has it. ``full``: with the reason and the sources whole."""
        entry, worst = self.entry, self.instances[0]
        values = entry.bound.values
        messages = [_message(one, clock) for one in self.instances[:MOST_INSTANCES]]
        many = entry.texts.many
        if many is not None and len(self.instances) > 1:
            every = [one.fact.values for one in self.instances]
            message = many.render(worst.fact.values, values, worst.at(clock), every)
        else:
            message = messages[0]
        told = self.tell_now(clock, died=died)
        out = {
            **entry.opening,
            "message": message,
            **({} if told is None else {"tell_now": told}),
            "remediation": entry.rule.remediation,
            **(entry.closing_in_full if full else entry.closing),
            "story": story,
            "instances": [
                one.document(said, intake, clock) for one, said in zip(self.instances, messages, strict=False)
            ],
        }
        if len(self.instances) > MOST_INSTANCES:
            out["more"] = len(self.instances) - MOST_INSTANCES
        return out


def accepted_document(
    entry: RuleEntry,
    accepted: Sequence[tuple[Instance, Acceptance]],
    intake: Intake,
    clock: Clock,
    *,
    full: bool,
    died: bool,
) -> dict[str, Any]:
    """A finding of which the caller has accepted instances, each with what was said about it."""
    said = {one.fingerprint: acceptance for one, acceptance in accepted}
    finding = Finding(entry, (one for one, _ in accepted))
    out = finding.document(intake, clock, None, full=full, died=died)
    for instance in out["instances"]:
        acceptance = said[instance["fingerprint"]]
        instance["reason"] = acceptance.reason
        for name, value in (("by", acceptance.by), ("at", acceptance.at)):
            if value is not None:
                instance[name] = value
    return out


def stories(findings: Iterable[Finding]) -> list[int | None]:
    """The number of each finding's story: findings of one cascade, of which there are at least two.

    Numbers run in the order of the findings.
    """
    words = [finding.entry.rule.cascade for finding in findings]
    numbers: dict[str, int] = {}
    for each in words:
        if each is not None and words.count(each) > 1:
            numbers.setdefault(each, len(numbers) + 1)
    return [None if each is None else numbers.get(each) for each in words]


def _message(one: Instance, clock: Clock) -> str:
    return one.entry.texts.message.render(one.fact.values, one.entry.bound.values, one.at(clock))
