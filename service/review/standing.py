"""Where each instance of a finding ends up: standing, accepted by the caller, counted only, or covered by a graver one."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from service.intake.result import Acceptance
from service.rulebook.rule import YieldsTo

from .instances import Instance, Span
from .ruleset import RuleEntry, Ruleset

#: Spans that lie no further apart than this many seconds are about one moment.
ONE_MOMENT = 5 * 60


@dataclass(slots=True)
class Standing:
    """What became of the instances of one rule. ``accepted``: with what the caller said; ``covered``: by which rule."""

    entry: RuleEntry
    findings: list[Instance] = field(default_factory=list)
    accepted: list[tuple[Instance, Acceptance]] = field(default_factory=list)
    counted: int = 0
    covered: dict[str, int] = field(default_factory=dict)


@dataclass(slots=True)
class Matched:
    """What became of the caller's acceptances, by their place in the list. ``refused``: with the rule that stands."""

    used: set[int] = field(default_factory=set)
    refused: dict[int, str] = field(default_factory=dict)


def settle(
    ruleset: Ruleset, found: Mapping[int, Sequence[Instance]], accepted: Sequence[Acceptance]
) -> tuple[dict[int, Standing], Matched]:
    """(rule number -> what became of its instances, what became of the acceptances).

    ``found``: rule number -> its instances. A rule that yields is looked at after the rules that it yields to: an
    instance that is itself covered, accepted or only counted covers nothing.
    """
    given = {one.fingerprint: (number, one) for number, one in enumerate(accepted)}
    matched = Matched()
    by_id: dict[str, Standing] = {}
    out: dict[int, Standing] = {}
    yielding = [number for number in ruleset.uppermost_first if number in found]
    for number in (*(n for n in found if n not in set(yielding)), *yielding):
        entry = ruleset.rules[number]
        standing = out[number] = by_id[entry.rule.id] = Standing(entry)
        uppers = [(above, _Upper(by_id[above.rule], above)) for above in _above(entry, by_id)]
        for instance in found[number]:
            place, acceptance = given.get(instance.fingerprint, (-1, None))
            if acceptance is not None:
                matched.used.add(place)
            upper = next((above.rule for above, covers in uppers if covers.covers(instance)), None)
            if entry.bound.handled_by == "measures":
                standing.counted += 1
            elif upper is not None:
                standing.covered[upper] = standing.covered.get(upper, 0) + 1
            elif acceptance is not None and instance.acceptable:
                standing.accepted.append((instance, acceptance))
            else:
                if acceptance is not None:
                    matched.refused[place] = entry.rule.id
                standing.findings.append(instance)
    return out, matched


def _above(entry: RuleEntry, by_id: Mapping[str, Standing]) -> Iterable[YieldsTo]:
    """The rules that may cover this one: of the same handler, and at least as grave."""
    for above in entry.rule.yields_to:
        upper = by_id.get(above.rule)
        if upper is None or not upper.findings:
            continue
        same = upper.entry.bound.handled_by == entry.bound.handled_by
        if same and upper.entry.urgency[0] <= entry.urgency[0]:
            yield above


class _Upper:
    """The standing findings of an upper rule, to be asked whether one of them is about the same thing."""

    def __init__(self, standing: Standing, above: YieldsTo) -> None:
        self._on = above.on
        self._facts = {instance.index for instance in standing.findings}
        self._items = frozenset().union(*(instance.items for instance in standing.findings))
        self._spans = _joined([i.span for i in standing.findings if i.span is not None]) if above.on == "time" else []

    def covers(self, instance: Instance) -> bool:
        if self._on == "fact":
            return instance.index in self._facts
        if self._on == "item":
            return not self._items.isdisjoint(instance.items)
        if instance.span is None:
            return False
        start, end = instance.span[0] - ONE_MOMENT, instance.span[1] + ONE_MOMENT
        at = bisect_left(self._spans, start, key=lambda span: span[1])
        return at < len(self._spans) and self._spans[at][0] <= end


def _joined(spans: Iterable[Span]) -> list[Span]:
    out: list[Span] = []
    for start, end in sorted(spans):
        if out and start <= out[-1][1]:
            out[-1] = (out[-1][0], max(end, out[-1][1]))
        else:
            out.append((start, end))
    return out
