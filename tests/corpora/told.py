"""How many planted defects the review finds in charts of other hands: ``python -m tests.corpora.told [--cases] DIR...``.

Each directory is one author's: ``charts/<name>.json`` and ``expected.jsonl``. A line of it is either
``{"chart": ..., "clean": true}`` or one planted defect: ``{"chart", "id", "what", "category", "severity",
"concerns": [...], "places": [pointer, ...]}`` with the least severity that its author stands behind. Charts and
expectations are fixed before the first run, by somebody who has not seen the rules.

A defect is found where one finding of the review has at least its severity, one of its concerns, and a place at, above
or below one of its places in the same list item. Its category only groups the counts: an author may call the silence
about a danger a matter of safety, where this rulebook asks for the missing entry. A finding that is only counted, covered or accepted
finds nothing; a danger that stands under ``unjudged`` is told apart. Without ``--cases`` only counts are printed, so
that a half stays sealed for whoever writes rules.
"""

from __future__ import annotations

import argparse
import json
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from service.batch.statistics import wilson
from tests.support.pipeline import pipeline

SEVERITIES = ("info", "warning", "critical")
#: Concerns that two honest readers file one danger under: who cannot be woken is in danger by the breath.
ONE_DANGER = frozenset({"arrest_or_death", "airway", "breathing", "consciousness"})
CATEGORIES = ("safety", "completeness", "consistency")


@dataclass
class Score:
    """k of n by category and by least severity, and what was said of clean charts above info."""

    planted: Counter[str] = field(default_factory=Counter)
    found: Counter[str] = field(default_factory=Counter)
    unjudged: Counter[str] = field(default_factory=Counter)
    missed: list[str] = field(default_factory=list)
    clean: int = 0
    loud: list[str] = field(default_factory=list)


def same_thing(one: str, other: str) -> bool:
    """Whether one pointer lies at, above or below the other; the whole record and a bare section hold everything."""
    one, other = one.removesuffix("/-"), other.removesuffix("/-")
    return f"{one}/".startswith(f"{other}/") or f"{other}/".startswith(f"{one}/")


def _places(entry: dict[str, Any]) -> Iterator[str]:
    for instance in entry["instances"]:
        for place in instance["pointers"]:
            yield place["pointer"]
            if "missing" in place:
                yield place["missing"]


def meets(defect: dict[str, Any], entry: dict[str, Any]) -> bool:
    """Whether a finding, or what stays unjudged, is about a planted defect and loud enough."""
    return (
        SEVERITIES.index(entry["severity"]) >= SEVERITIES.index(defect["severity"])
        and _same_concern(entry["concern"], defect["concerns"])
        and any(same_thing(place, planted) for place in _places(entry) for planted in defect["places"])
    )


def _same_concern(concern: str, planted: list[str]) -> bool:
    return concern in planted or (concern in ONE_DANGER and not ONE_DANGER.isdisjoint(planted))


def lines(directory: Path) -> list[dict[str, Any]]:
    """The lines of ``expected.jsonl``."""
    text = (directory / "expected.jsonl").read_text(encoding="utf-8")
    return [json.loads(line) for line in text.splitlines() if line.strip()]


def score(directories: Iterable[Path], profile: str = "default") -> Score:
    """The score over all charts of the directories."""
    out = Score()
    for directory in directories:
        reviews: dict[str, dict[str, Any]] = {}
        for line in lines(directory):
            chart = line["chart"]
            if chart not in reviews:
                body = (directory / "charts" / f"{chart}.json").read_bytes()
                reviews[chart] = dict(pipeline().review(body, "application/json", profile).document)
            _count(out, line, reviews[chart])
    return out


def _count(out: Score, line: dict[str, Any], review: dict[str, Any]) -> None:
    if line.get("clean"):
        out.clean += 1
        above = [f for f in review["findings"] if f["severity"] != "info"]
        out.loud += [f"{line['chart']} {f['rule']['id']} {f['severity']}: {f['message']}" for f in above]
        return
    kinds = (line["category"], line["severity"])
    out.planted.update(kinds)
    if any(meets(line, finding) for finding in review["findings"]):
        out.found.update(kinds)
    elif any(meets(line, entry) for entry in review["unjudged"]):
        out.unjudged.update(kinds)
    else:
        out.missed.append(f"{line['chart']} {line['id']} {line['severity']} {line['category']}: {line['what']}")


def table(found: Score) -> str:
    """The counts as text: k of n, share, and its Wilson limits (95 %)."""
    rows = [f"{'':13}{'found':>12}{'share':>8}{'95 %':>16}{'unjudged':>10}"]
    for kind in (*CATEGORIES, *reversed(SEVERITIES)):
        n, k = found.planted[kind], found.found[kind]
        if n:
            band = wilson(k, n)
            assert band is not None
            rows.append(
                f"{kind:13}{f'{k} of {n}':>12}{k / n:>8.2f}{f'{band.lower:.2f} to {band.upper:.2f}':>16}"
                f"{found.unjudged[kind]:>10}"
            )
    rows.append(f"{found.clean} clean charts, {len(found.loud)} findings above info in them")
    return "\n".join(rows)


def main() -> None:
    """The command."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("directories", nargs="+", type=Path)
    parser.add_argument("--profile", default="default")
    parser.add_argument("--cases", action="store_true", help="name what was missed and what was loud")
    given = parser.parse_args()
    found = score(given.directories, given.profile)
    print(table(found))
    if given.cases:
        print(*found.missed, *found.loud, sep="\n")


if __name__ == "__main__":
    main()
