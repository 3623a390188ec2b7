"""Which rules are wrong here: what reviewers said of single findings, counted by rule.

A verdict is about one instance of a finding: the reference of the chart, the
fingerprint, and whether the reviewer agreed. An acceptance stands beside it:
it says why a finding may stand, not that it is wrong.
"""

from __future__ import annotations

import csv
import io
from collections import Counter
from collections.abc import Mapping
from typing import Any

from . import statistics
from .definitions import Measure

COLUMNS = ("episode_ref", "fingerprint", "agreed")
_WORDS = {"yes": True, "true": True, "1": True, "no": False, "false": False, "0": False}
_FINDINGS, _AGREED, _NOT_AGREED, _ACCEPTED = "findings", "agreed", "not_agreed", "accepted"


class Unreadable(Exception):
    """The file of verdicts cannot be read. ``line``: the first bad one; the text says what is wrong with it."""

    def __init__(self, line: int, why: str) -> None:
        super().__init__(why)
        self.line = line


class Verdicts:
    """The verdicts, and what was counted of them. ``given``: (reference, fingerprint) -> agreed."""

    def __init__(self, given: Mapping[tuple[str, str], bool]) -> None:
        self.given = given
        self.met: set[tuple[str, str]] = set()
        #: (rule, what) -> instances of findings.
        self.counts: Counter[tuple[str, str]] = Counter()

    def empty(self) -> Verdicts:
        """The same verdicts, with nothing counted."""
        return Verdicts(self.given)

    def add(self, document: Mapping[str, Any]) -> None:
        """Count one review."""
        for name in ("findings", "accepted"):
            for finding in document[name]:
                rule = finding["rule"]["id"]
                for instance in finding["instances"]:
                    key = (document["episode_ref"], instance["fingerprint"])
                    self.counts[rule, _FINDINGS] += 1
                    self.counts[rule, _ACCEPTED] += name == "accepted"
                    if key in self.given:
                        self.met.add(key)
                        self.counts[rule, _AGREED if self.given[key] else _NOT_AGREED] += 1

    def merge(self, other: Verdicts) -> None:
        """Add the counts of another over the same verdicts."""
        self.met |= other.met
        self.counts += other.counts

    def document(self, wanted: tuple[Measure, ...]) -> dict[str, Any]:
        """Agreement by rule, the worst first: by the upper end of its interval, so that few verdicts do not come before many."""
        titles = {measure.id: measure.title for measure in wanted if measure.kind == "rule"}
        rules = [self._rule(rule, title) for rule, title in titles.items()]
        told = [rule for rule in rules if rule["judged"] or rule[_ACCEPTED]]
        return {
            "given": len(self.given),
            "without_finding": len(self.given) - len(self.met),
            "rules": sorted(told, key=_worst_first),
        }

    def _rule(self, rule: str, title: str) -> dict[str, Any]:
        counted = {name: self.counts[rule, name] for name in (_FINDINGS, _AGREED, _NOT_AGREED, _ACCEPTED)}
        judged = counted[_AGREED] + counted[_NOT_AGREED]
        band = statistics.wilson(counted[_AGREED], judged)
        return {
            "rule": rule,
            "title": title,
            **counted,
            "judged": judged,
            "agreement": statistics.rate(counted[_AGREED], judged),
            "interval_95": None if band is None else band._asdict(),
        }


def _worst_first(rule: Mapping[str, Any]) -> tuple[Any, ...]:
    if not rule["judged"]:
        return (1, -rule[_ACCEPTED] / rule[_FINDINGS], rule["rule"])
    return (0, rule["interval_95"]["upper"], rule["agreement"], rule["rule"])


def read(content: bytes) -> Verdicts:
    """Verdicts from a table with the columns ``episode_ref``, ``fingerprint`` and ``agreed`` (yes or no, or blank), such as
    ``findings.csv`` with one column more; separated by commas, semicolons or tabs. Raises Unreadable."""
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise Unreadable(1, "the file is not UTF-8") from None
    head = text.partition("\n")[0]
    separator = max(",;\t", key=head.count)
    rows = csv.DictReader(io.StringIO(text, newline=""), delimiter=separator)
    if lacking := [name for name in COLUMNS if name not in (rows.fieldnames or ())]:
        raise Unreadable(1, f"the heading has no column {', '.join(lacking)}")
    given: dict[tuple[str, str], bool] = {}
    for row in rows:
        # An apostrophe keeps a spreadsheet from running a cell as a formula.
        reference, fingerprint, said = ((row[name] or "").strip().removeprefix("'") for name in COLUMNS)
        if not said:
            continue
        if said.lower() not in _WORDS:
            raise Unreadable(rows.line_num, "agreed is yes or no")
        agreed = _WORDS[said.lower()]
        if given.setdefault((reference, fingerprint), agreed) is not agreed:
            raise Unreadable(rows.line_num, "two verdicts on one finding, and they differ")
    return Verdicts(given)
