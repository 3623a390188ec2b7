"""The same episodes under two profiles or two rulesets: which findings appear, vanish or change their severity.

A finding is the same on both sides when its fingerprint is. Where a rule loses
one finding of a record and gains another, that counts as one that moves.
"""

from __future__ import annotations

from collections.abc import Iterable
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


class Example(NamedTuple):
    """A record in which a change is seen. ``file`` is the place of the input in the list of inputs."""

    file: int
    line: int
    episode_ref: str


class Tally:
    """Counts of what differs. Its size does not grow with the number of records."""

    def __init__(self) -> None:
        self.lines = dict.fromkeys(("read", "compared", "rejected", "not_evaluated", "changed"), 0)
        #: (rule, change, severity on the left or "", on the right or "") -> number of findings.
        self.changes: dict[tuple[str, str, str, str], int] = {}
        self.examples: dict[tuple[str, str, str, str], list[Example]] = {}
        #: (rule, outcome on the left, on the right) -> number of records, where the two differ.
        self.outcomes: dict[tuple[str, str, str], int] = {}
        #: (side, severity) -> number of findings that stand or were accepted, of the records compared.
        self.findings = {(side, severity): 0 for side in (LEFT, RIGHT) for severity in _SEVERITIES}

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
            for severity in severities.values():
                self.findings[side, severity] += 1
        found = differences(before, after)
        for key, count in found.items():
            self.changes[key] = self.changes.get(key, 0) + count
            self._example(key, [Example(file, left.number, left.review.document["episode_ref"])])
        self.lines["changed"] += bool(found)
        for rule in sorted({*left.review.outcomes, *right.review.outcomes}):
            pair = (left.review.outcomes.get(rule, OFF), right.review.outcomes.get(rule, OFF))
            if pair[0] != pair[1]:
                self.outcomes[rule, *pair] = self.outcomes.get((rule, *pair), 0) + 1

    def merge(self, other: Tally) -> None:
        """Add the counts of another tally; the order of merging changes nothing."""
        for name, count in other.lines.items():
            self.lines[name] += count
        for key, count in other.changes.items():
            self.changes[key] = self.changes.get(key, 0) + count
            self._example(key, other.examples[key])
        for side, count in other.findings.items():
            self.findings[side] += count
        for pair, count in other.outcomes.items():
            self.outcomes[pair] = self.outcomes.get(pair, 0) + count

    def _example(self, key: tuple[str, str, str, str], more: list[Example]) -> None:
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


def differences(before: Findings, after: Findings) -> dict[tuple[str, str, str, str], int]:
    """(rule, change, severity left or "", severity right or "") -> number of findings, for one record."""
    out: dict[tuple[str, str, str, str], int] = {}
    lost: dict[str, list[str]] = {}
    won: dict[str, list[str]] = {}
    for key in sorted(before.keys() | after.keys()):
        old, new = before.get(key, ""), after.get(key, "")
        if old and new and old != new:
            _count(out, (key[0], SEVERITY, old, new))
        elif old and not new:
            lost.setdefault(key[0], []).append(old)
        elif new and not old:
            won.setdefault(key[0], []).append(new)
    for rule in sorted(lost.keys() | won.keys()):
        old_ones, new_ones = lost.get(rule, []), won.get(rule, [])
        both = min(len(old_ones), len(new_ones))
        for old, new in zip(old_ones[:both], new_ones[:both], strict=True):
            _count(out, (rule, MOVES, old, new))
        for old in old_ones[both:]:
            _count(out, (rule, VANISHES, old, ""))
        for new in new_ones[both:]:
            _count(out, (rule, APPEARS, "", new))
    return out


def _count(out: dict[tuple[str, str, str, str], int], key: tuple[str, str, str, str]) -> None:
    out[key] = out.get(key, 0) + 1


def count(left: Side, right: Side, tally: Tally, line: bytes | None, number: int, file: int = 0) -> None:
    """Review one line on both sides and count it."""
    tally.add(lines.answer(left[0], line, number, left[1]), lines.answer(right[0], line, number, right[1]), file)


def compare(left: Side, right: Side, given: Iterable[bytes | None]) -> dict[str, Any]:
    """The comparison (``document``) over every line that is not empty. Raises UnknownProfile."""
    for side in (left, right):
        lines.versions(*side)
    tally = Tally()
    for number, line in enumerate(given, 1):
        if not lines.is_empty(line):
            count(left, right, tally, line, number)
    return document(tally, left, right, [""])


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
