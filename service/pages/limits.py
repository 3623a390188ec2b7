"""The limits of one profile for what the picture draws, read from the rules themselves."""

from __future__ import annotations

import operator
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from service.facts.fact import Fact
from service.rulebook.load import Rulebook
from service.rulebook.profiles import bind
from service.rulebook.rule import Leaf, Profile, Rule

_OPS: dict[str, Callable[[Any, Any], bool]] = {
    "eq": operator.eq, "ne": operator.ne, "lt": operator.lt, "le": operator.le, "gt": operator.gt, "ge": operator.ge,
}  # fmt: skip
_BELOW, _ABOVE = ("lt", "le"), ("gt", "ge")
#: Codes of abnormal runs -> the member they are read from and whether low is bad.
_CODES = {
    "spo2_low": ("spo2", True),
    "rr_low": ("rr", True),
    "rr_high": ("rr", False),
    "etco2_low": ("etco2_mmhg", True),
    "etco2_high": ("etco2_mmhg", False),
    "hr_low": ("hr", True),
    "hr_high": ("hr", False),
}


@dataclass(frozen=True, slots=True)
class Limit:
    """Readings beyond ``value`` (the value itself too when ``inclusive``) are what a rule of this severity is about."""

    member: str
    low: bool
    value: float
    inclusive: bool
    severity: str


def profile_of(book: Rulebook, document: Mapping[str, Any]) -> Profile:
    """The profile a review was made under."""
    return book.profiles[document["versions"]["profile"].rsplit(" ", 1)[0]]


def _in_scope(leaves: tuple[Leaf, ...], whole: Fact) -> bool:
    """Whether what a rule asks of the whole episode (age, oxygen target) is known and true."""
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
    bound = bind(rule, units, profile.parameters.get(rule.id, {}), profile.severities.get(rule.id))
    if not _in_scope(bound.applies.leaves(), whole):
        return None
    for leaf in rule.fails_when.leaves():
        if leaf.parameter and leaf.attribute.endswith("worst") and leaf.op in (_BELOW if low else _ABOVE):
            return Limit(member, low, bound.values[leaf.parameter], leaf.op in ("le", "ge"), bound.severity)
    return None


def limits(book: Rulebook, document: Mapping[str, Any], whole: Fact) -> list[Limit]:
    """Every limit that the profile sets for this patient, outermost last, each value once with its gravest severity.

    Rules that are switched off, or whose age range is not known to hold, set none.
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


def gap_limits(
    book: Rulebook, findings: list[Mapping[str, Any]], limb_of_finding: Callable[[Mapping[str, Any]], str | None]
) -> dict[str, tuple[int | None, int | None]]:
    """For every limb with a finding about its checks: (limit of the first check, limit between two), seconds, None where not found."""
    out: dict[str, tuple[int | None, int | None]] = {}
    for finding in findings:
        rule = book.find(finding["rule"]["id"])
        limb = limb_of_finding(finding)
        if rule is None or rule.about != "limb" or limb is None:
            continue
        first, between = out.get(limb, (None, None))
        for leaf in rule.fails_when.leaves():
            if leaf.parameter is None:
                continue
            chosen = finding["parameters"][leaf.parameter]
            seconds = int(chosen["value"] * {"min": 60, "s": 1}.get(chosen["unit"], 0))
            if leaf.attribute.startswith("first_check"):
                first = seconds if first is None else min(first, seconds)
            elif leaf.attribute.startswith("longest_gap"):
                between = seconds if between is None else min(between, seconds)
        out[limb] = (first, between)
    return out
