"""The same episodes under two profiles or two rulesets: which findings appear, vanish or change their severity.

A finding is the same on both sides when its fingerprint is. Where a rule loses
one finding of a record and gains another, that counts as one that moves.
"""

from __future__ import annotations

from collections import Counter
from typing import Any, NamedTuple

from service.pipeline import Pipeline
from service.review.build import CAUTIONS, Review

from . import lines
from .definitions import OFF

APPEARS, VANISHES, SEVERITY, MOVES = CHANGES = ("appears", "vanishes", "severity", "moves")
#: Records named for each change of each rule.
MOST_EXAMPLES = 5
LEFT, RIGHT = "left", "right"
_SEVERITIES = ("critical", "warning", "info")

#: A pipeline and the id of a profile.
Side = tuple[Pipeline, str]
#: (rule, kind of change, severity on the left or "", on the right or "").
Change = tuple[str, str, str, str]


class Example(NamedTuple):
    """A record in which a change is seen. ``file`` is the place of the input in the list of inputs."""

    file: int
    line: int
    episode_ref: str


class Tally:
    """Counts of what differs. Its size does not grow with the number of records."""

    def __init__(self) -> None:
        self.lines = Counter(dict.fromkeys(("read", "compared", "rejected", "not_evaluated", "changed"), 0))
        #: Number of findings.
        self.changes = Counter[Change]()
        self.examples: dict[Change, list[Example]] = {}
        #: (rule, outcome on the left, on the right) -> number of records, where the two differ.
        self.outcomes = Counter[tuple[str, str, str]]()
        #: (side, severity) -> number of findings that stand or were accepted, of the records compared.
        self.findings = Counter[tuple[str, str]]()

    def add(self, left: lines.Answer, right: lines.Answer, file: int) -> None:
        """Count one line by the answers of both sides. ``file``: index of the input."""
        self.lines["read"] += 1
        if left.review is None or right.review is None:
            failed = max(left.status, right.status) >= 500
            self.lines["not_evaluated" if failed else "rejected"] += 1
            return
        self.lines["compared"] += 1
        before, after = _severities(left.review), _severities(right.review)
        for side, severities in ((LEFT, before), (RIGHT, after)):
            self.findings.update((side, severity) for severity in severities.values())
        found = differences(before, after)
        self.changes.update(found)
        for key in found:
            self._example(key, [Example(file, left.number, left.review.document["episode_ref"])])
        self.lines["changed"] += bool(found)
        for rule in sorted({*left.review.outcomes, *right.review.outcomes}):
            pair = (left.review.outcomes.get(rule, OFF), right.review.outcomes.get(rule, OFF))
            if pair[0] != pair[1]:
                self.outcomes[rule, *pair] += 1

    def merge(self, other: Tally) -> None:
        """Add the counts of another tally; the order of merging changes nothing."""
        self.lines.update(other.lines)
        self.changes.update(other.changes)
        self.findings.update(other.findings)
        self.outcomes.update(other.outcomes)
        for key, examples in other.examples.items():
            self._example(key, examples)

    def _example(self, key: Change, more: list[Example]) -> None:
        # The first in the order of the inputs, in whatever order they are merged.
        self.examples[key] = sorted([*self.examples.get(key, []), *more])[:MOST_EXAMPLES]


#: (rule, fingerprint) -> severity, of the instances of one record.
Findings = dict[tuple[str, str], str]


def _severities(review: Review) -> Findings:
    document = review.document
    every = [*document["findings"], *document["accepted"]]
    return {
        (finding["rule"]["id"], instance["fingerprint"]): finding["severity"]
        for finding in every
        for instance in finding["instances"]
    }


def differences(before: Findings, after: Findings) -> Counter[Change]:
    """The number of findings of each change, for one record."""
    out = Counter[Change]()
    lost: dict[str, list[str]] = {}
    won: dict[str, list[str]] = {}
    for key in sorted(before.keys() | after.keys()):
        old, new = before.get(key, ""), after.get(key, "")
        if old and new and old != new:
            out[key[0], SEVERITY, old, new] += 1
        elif old and not new:
            lost.setdefault(key[0], []).append(old)
        elif new and not old:
            won.setdefault(key[0], []).append(new)
    for rule in sorted(lost.keys() | won.keys()):
        old_ones, new_ones = lost.get(rule, []), won.get(rule, [])
        both = min(len(old_ones), len(new_ones))
        for old, new in zip(old_ones[:both], new_ones[:both], strict=True):
            out[rule, MOVES, old, new] += 1
        for old in old_ones[both:]:
            out[rule, VANISHES, old, ""] += 1
        for new in new_ones[both:]:
            out[rule, APPEARS, "", new] += 1
    return out


# ---------------------------------------------------------------- what is set differently


def _settings(side: Side, rule_id: str) -> dict[str, tuple[Any, str]]:
    """What one side says about a rule: name -> (value, unit)."""
    book = side[0].rulebook
    rule, profile = book.find(rule_id), book.profiles[side[1]]
    if rule is None:
        return {"in the rulebook": (False, "")}
    numbers = profile.numbers
    return {
        "in the rulebook": (True, ""),
        "revision": (rule.revision, ""),
        "switched off": (any(off.rule == rule_id for off in profile.off), ""),
        "severity": (profile.severities.get(rule_id, rule.severity), ""),
        **{each.name: (each.under(rule_id, numbers), each.unit) for each in rule.parameters},
    }


def _set_otherwise(left: Side, right: Side, rule_id: str) -> list[dict[str, Any]]:
    """``{name, unit, left, right}`` for everything that the two sides set differently for a rule; None for what a side lacks."""
    mine, other = _settings(left, rule_id), _settings(right, rule_id)
    names = {**mine, **other}
    if mine["in the rulebook"] != other["in the rulebook"]:
        names = {"in the rulebook": names["in the rulebook"]}  # all else follows from that
    return [
        {"name": name, "unit": unit, "left": mine.get(name, (None,))[0], "right": other.get(name, (None,))[0]}
        for name, (_, unit) in names.items()
        if mine.get(name) != other.get(name)
    ]


# ---------------------------------------------------------------- the document


def document(tally: Tally, left: Side, right: Side, files: list[str]) -> dict[str, Any]:
    """What differs by rule, in the order of ids, as plain data. ``files``: names of the inputs, for the examples.

    ``set_otherwise`` of a rule: what the sides set differently. ``without_effect``:
    rules that they set differently without a difference in any record.
    """
    titles = {rule.id: rule.title for side in (left, right) for rule in side[0].rulebook.rules}
    changed = sorted({key[0] for key in tally.changes} | {key[0] for key in tally.outcomes})
    set_otherwise = {rule: found for rule in sorted(titles) if (found := _set_otherwise(left, right, rule))}
    rules = [_rule(tally, rule, titles.get(rule, ""), set_otherwise.get(rule, []), files) for rule in changed]
    return {
        "left": lines.versions(*left),
        "right": lines.versions(*right),
        "lines": dict(tally.lines),
        "findings": {side: {name: tally.findings[side, name] for name in _SEVERITIES} for side in (LEFT, RIGHT)},
        "totals": {change: sum(rule["totals"][change] for rule in rules) for change in CHANGES},
        "rules": rules,
        "without_effect": [
            {"rule": rule, "title": titles[rule], "set_otherwise": found}
            for rule, found in set_otherwise.items()
            if rule not in changed
        ],
        "cautions": list(CAUTIONS),
    }


def _rule(tally: Tally, rule: str, title: str, set_otherwise: list[dict[str, Any]], files: list[str]) -> dict[str, Any]:
    changes, totals = [], dict.fromkeys(CHANGES, 0)
    for key in sorted(k for k in tally.changes if k[0] == rule):
        examples = [{"file": files[e.file], "line": e.line, "episode_ref": e.episode_ref} for e in tally.examples[key]]
        _, change, old, new = key
        totals[change] += tally.changes[key]
        changes.append(
            {
                "change": change,
                "left": old or None,
                "right": new or None,
                "findings": tally.changes[key],
                "examples": examples,
            }
        )
    moved = [
        {"left": pair[1], "right": pair[2], "records": tally.outcomes[pair]}
        for pair in sorted(tally.outcomes)
        if pair[0] == rule
    ]
    return {
        "rule": rule,
        "title": title,
        "set_otherwise": set_otherwise,
        "totals": totals,
        "changes": changes,
        "outcomes": moved,
    }
