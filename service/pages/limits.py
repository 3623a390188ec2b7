"""The limits that the picture draws, read from the rules and the profile of a review."""

from __future__ import annotations

import operator
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from service.facts.fact import Fact
from service.facts.quantities import QUANTITIES
from service.rulebook.load import Rulebook
from service.rulebook.profiles import bind
from service.rulebook.rule import Leaf, Profile, Rule

_OPS: dict[str, Callable[[Any, Any], bool]] = {
    "eq": operator.eq, "ne": operator.ne, "lt": operator.lt, "le": operator.le, "gt": operator.gt, "ge": operator.ge,
}  # fmt: skip
_BELOW, _ABOVE = ("lt", "le"), ("gt", "ge")
#: Code of an event -> (member that is measured, whether a low reading is bad): those whose number is the reading.
_CODES = {q.code: (q.member, q.low) for q in QUANTITIES if q.code.endswith(("_low", "_high"))}


@dataclass(frozen=True, slots=True)
class Limit:
    """A limit of a rule for readings of ``member``. ``low``: readings below it are bad, else those above.

    ``inclusive``: a reading of ``value`` itself is bad too. ``severity``: of the rule under the profile.
    """

    member: str
    low: bool
    value: float
    inclusive: bool
    severity: str


def profile_of(book: Rulebook, document: Mapping[str, Any]) -> Profile:
    """The profile under which a review (``document``) was made."""
    return book.profiles[document["versions"]["profile"].rsplit(" ", 1)[0]]


def _in_scope(leaves: tuple[Leaf, ...], whole: Fact) -> bool:
    """Whether what a rule asks about the whole episode (age, oxygen target) is known and true."""
    asked = [leaf for leaf in leaves if leaf.attribute.startswith("ep_") and leaf.op in _OPS]
    return all(
        leaf.attribute in whole.values and _OPS[leaf.op](whole.values[leaf.attribute], leaf.value) for leaf in asked
    )


def _of_rule(rule: Rule, profile: Profile, whole: Fact, units: Mapping[str, tuple[str, int]]) -> Limit | None:
    code = next(
        (str(leaf.value) for leaf in rule.applies_when.leaves() if leaf.attribute == "code" and leaf.op == "eq"), ""
    )
    if code not in _CODES:
        return None
    member, low = _CODES[code]
    bound = bind(rule, units, profile.numbers, profile.severities.get(rule.id))
    if not _in_scope(bound.applies.leaves(), whole):
        return None
    for leaf in rule.fails_when.leaves():
        if leaf.parameter and leaf.attribute.endswith("worst") and leaf.op in (_BELOW if low else _ABOVE):
            return Limit(member, low, bound.values[leaf.parameter], leaf.op in ("le", "ge"), bound.severity)
    return None


def limits(book: Rulebook, document: Mapping[str, Any], whole: Fact) -> list[Limit]:
    """Every limit of the profile for this patient, each value once with its gravest severity; of each side the outermost last.

    Rules that are switched off, or that are not known to hold for this patient, set none. ``whole``: the fact of the
    whole episode.
    """
    profile = profile_of(book, document)
    off = {entry["rule"] for entry in document["off"]}
    grave = book.vocabulary.severities
    found: dict[tuple[str, bool, float], Limit] = {}
    for rule in book.rules:
        if rule.about != "event" or rule.id in off:
            continue
        limit = _of_rule(rule, profile, whole, book.vocabulary.units)
        if limit is None:
            continue
        key = (limit.member, limit.low, limit.value)
        if key not in found or grave.index(limit.severity) < grave.index(found[key].severity):
            found[key] = limit
    return sorted(found.values(), key=lambda m: (m.member, m.low, -m.value if m.low else m.value))
