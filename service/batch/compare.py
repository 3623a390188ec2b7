"""The same episodes under two profiles or two rulesets: what appears, what vanishes, what changes its severity.

A finding is the same on both sides when its fingerprint is. Where a rule loses
and gains a finding in the same record, the finding stands but points elsewhere.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, NamedTuple

from service.pipeline import Pipeline
from service.review.build import CAUTIONS, Review

from . import lines
from .definitions import OFF

APPEARS, VANISHES, SEVERITY, MOVES = CHANGES = ("appears", "vanishes", "severity", "moves")
#: Records named for each change of each rule.
MOST_EXAMPLES = 5


class Example(NamedTuple):
    """A record in which a change is seen. ``file`` is the place of the input in the list of inputs."""

    file: int
    line: int
    episode_ref: str


class Tally:
    """What differs, ready to be added to other counts. Its size does not grow with the number of records."""

    def __init__(self) -> None:
        self.lines = dict.fromkeys(("read", "compared", "rejected", "not_evaluated", "changed"), 0)
        #: (rule, change, severity on the left or "", on the right or "") -> number of findings.
        self.changes: dict[tuple[str, str, str, str], int] = {}
        self.examples: dict[tuple[str, str, str, str], list[Example]] = {}
        #: (rule, outcome on the left, on the right) -> number of records, where the two differ.
        self.outcomes: dict[tuple[str, str, str], int] = {}

    def add(self, left: lines.Answer, right: lines.Answer, file: int) -> None:
        """Count one line as both sides answered it."""
        self.lines["read"] += 1
        if left.review is None or right.review is None:
            failed = max(left.status, right.status) >= 500
            self.lines["not_evaluated" if failed else "rejected"] += 1
            return
        self.lines["compared"] += 1
        found = differences(left.review, right.review)
        for key, count in found.items():
            self.changes[key] = self.changes.get(key, 0) + count
            self._example(key, [Example(file, left.number, left.review.document["episode_ref"])])
        self.lines["changed"] += bool(found)
        for rule in sorted({*left.review.outcomes, *right.review.outcomes}):
            pair = (left.review.outcomes.get(rule, OFF), right.review.outcomes.get(rule, OFF))
            if pair[0] != pair[1]:
                self.outcomes[rule, *pair] = self.outcomes.get((rule, *pair), 0) + 1

    def merge(self, other: Tally) -> None:
        """Add what another has counted. The order of merging changes nothing."""
        for name, count in other.lines.items():
            self.lines[name] += count
        for key, count in other.changes.items():
            self.changes[key] = self.changes.get(key, 0) + count
            self._example(key, other.examples[key])
        for pair, count in other.outcomes.items():
            self.outcomes[pair] = self.outcomes.get(pair, 0) + count

    def _example(self, key: tuple[str, str, str, str], more: list[Example]) -> None:
        # The first in the order of the inputs, whoever comes first.
        self.examples[key] = sorted([*self.examples.get(key, []), *more])[:MOST_EXAMPLES]


def _severities(review: Review) -> dict[tuple[str, str], str]:
    document = review.document
    every = [*document["findings"], *document["accepted"]]
    return {(finding["rule"]["id"], finding["fingerprint"]): finding["severity"] for finding in every}


def differences(left: Review, right: Review) -> dict[tuple[str, str, str, str], int]:
    """(rule, change, severity left, severity right) -> number of findings, of one record; accepted findings count too."""
    before, after = _severities(left), _severities(right)
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


def count(
    left: tuple[Pipeline, str],
    right: tuple[Pipeline, str],
    tally: Tally,
    line: bytes | None,
    number: int,
    file: int = 0,
) -> None:
    """Review one line on both sides and count it. A side is a pipeline and the id of a profile."""
    tally.add(lines.answer(left[0], line, number, left[1]), lines.answer(right[0], line, number, right[1]), file)


def compare(left: tuple[Pipeline, str], right: tuple[Pipeline, str], given: Iterable[bytes | None]) -> dict[str, Any]:
    """Compare over every line that is not empty. Raises UnknownProfile."""
    versions = [lines.versions(*side) for side in (left, right)]
    tally = Tally()
    for number, line in enumerate(given, 1):
        if not lines.is_empty(line):
            count(left, right, tally, line, number)
    return document(tally, titles(left[0], right[0]), versions[0], versions[1], [""])


def titles(left: Pipeline, right: Pipeline) -> dict[str, str]:
    """Rule id -> title; the right side's where both have one."""
    return {rule.id: rule.title for side in (left, right) for rule in side.rulebook.rules}


def document(
    tally: Tally, names: Mapping[str, str], left: Mapping[str, str], right: Mapping[str, str], files: list[str]
) -> dict[str, Any]:
    """What differs by rule, in the order of the ids. ``files``: names of the inputs, for the examples."""
    rules = sorted({key[0] for key in tally.changes} | {key[0] for key in tally.outcomes})
    return {
        "left": dict(left),
        "right": dict(right),
        "lines": dict(tally.lines),
        "rules": [_rule(tally, rule, names, files) for rule in rules],
        "cautions": list(CAUTIONS),
    }


def _rule(tally: Tally, rule: str, names: Mapping[str, str], files: list[str]) -> dict[str, Any]:
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
    return {"rule": rule, "title": names.get(rule, ""), "totals": totals, "changes": changes, "outcomes": moved}
