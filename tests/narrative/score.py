"""Precision and recall of the families: ``python -m tests.narrative.score [DIRECTORY...]``.

One decision is one family affirmed in one text; it is right when the label of
the text says so. Texts: the labeled sentences here, our own snippets, and the
development set of the folder ``shared`` where it is. All of them were seen while
the patterns were written, so they show agreement, not what a stranger's chart
would give. The measures are those of NegEx (Chapman 2001) and ConText (Harkema
2009).
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NamedTuple

from service.intake import strict_yaml
from service.narrative.reader import AFFIRMED
from tests.support import standards
from tests.support.episodes import narrative_reader

HERE = Path(__file__).parent
SENTENCES, SNIPPETS = HERE / "sentences.yaml", HERE / "snippets.yaml"

#: The concept of a label in ``sentences.yaml`` -> the families that speak of it.
CONCEPTS = {
    "outdated_diagnosis": "outdated_term",
    "punitive": "purpose",
    "police_purpose": "purpose",
    "prone": "position",
    "hog_tie": "device",
    "breathing_complaint": "breathing",
    "torso_weight": "weight",
    "knot": "knots",
    "rail": "rails",
    "normal_limits": "within_normal_limits",
}
ASSERTED, DENIED = ("says", "others"), ("negated", "not_now")
#: Code of a family in the development set -> family.
CODES = {
    "pos": "position", "wt": "weight", "br": "breathing", "quiet": "quiet", "apn": "apnoea", "sz": "seizure", "vom": "vomiting",
    "purp": "purpose", "term": "outdated_term", "dev": "device", "key": "key", "alone": "left_alone", "cms": "limb_abnormal",
    "cmsno": "limb_not_checked", "drug": "drug", "vital": "vital", "cap": "capacity", "deesc": "deescalation",
    "injpt": "injury_patient", "injcr": "injury_crew", "rel": "release", "ho": "told", "hono": "not_told",
}  # fmt: skip


class Labeled(NamedTuple):
    """A text with the families it affirms, and those that were labeled at all."""

    text: str
    affirmed: frozenset[str]
    labeled: frozenset[str]


@dataclass
class Score:
    """Decisions of one family, or of all."""

    right: int = 0
    wrong: list[str] = field(default_factory=list)
    missed: list[str] = field(default_factory=list)

    @property
    def precision(self) -> float:
        """Share of what was found that is there."""
        return self.right / (self.right + len(self.wrong)) if self.right + len(self.wrong) else 1.0

    @property
    def recall(self) -> float:
        """Share of what is there that was found."""
        return self.right / (self.right + len(self.missed)) if self.right + len(self.missed) else 1.0


def sentences(half: str) -> list[dict[str, Any]]:
    """The sentences of one half, ``held_out`` or ``tuning``, as they were written."""
    return list(strict_yaml.load(SENTENCES)[half])


def of_sentences(half: str) -> Iterator[Labeled]:
    """The sentences of a half. Their labels know ten concepts only; a device is one of them where it is a hog-tie."""
    for sentence in sentences(half):
        said = {label: {CONCEPTS[c] for c in sentence.get(label, ())} for label in ASSERTED + DENIED}
        named = frozenset().union(*said.values())
        labeled = (frozenset(CONCEPTS.values()) - {"device"}) | named
        yield Labeled(sentence["text"], frozenset(said["says"] | said["others"]), labeled)


def of_snippets() -> Iterator[Labeled]:
    """Our own snippets: each names what it affirms; a snippet under ``innocent`` affirms nothing of its family."""
    for family, kinds in strict_yaml.load(SNIPPETS).items():
        for kind, texts in kinds.items():
            for text in texts:
                yield Labeled(text, frozenset({family} if kind == "affirmed" else ()), frozenset({family}))


def of_development() -> Iterator[Labeled]:
    """The development set in the folder ``shared``; skips where it is not."""
    for line in standards.shared("narrative/dev.jsonl").read_text("utf-8").splitlines():
        row = json.loads(line)
        affirmed = frozenset(CODES[one["family"]] for one in row["labels"] if one["assertion"] == "affirmed")
        yield Labeled(row["text"], affirmed, frozenset(CODES.values()))


def of_hand(directory: Path) -> Iterator[Labeled]:
    """Texts of another hand, labeled before any pattern had seen them: snippets and whole narratives."""
    for name in ("snippets", "narratives"):
        for line in (directory / f"{name}.jsonl").read_text("utf-8").splitlines():
            row = json.loads(line)
            affirmed = frozenset(CODES[one["family"]] for one in row["labels"] if one["assertion"] == "affirmed")
            yield Labeled(row["text"], affirmed, frozenset(CODES.values()))


def found(text: str, half: bool = False) -> set[str]:
    """The families affirmed in a text; with ``half`` those told of others and quoted too, as its labels count them."""
    counted = {AFFIRMED, "other_agency", "quoted"} if half else {AFFIRMED}
    return {hit.family for hit in narrative_reader().read(text) if hit.assertion in counted}


def score(texts: Iterable[Labeled], half: bool = False) -> dict[str, Score]:
    """The score of every family, and of ``all`` together."""
    out: dict[str, Score] = {"all": Score()}
    for one in texts:
        here = found(one.text, half) & one.labeled
        for family in here | one.affirmed:
            for into in (out["all"], out.setdefault(family, Score())):
                if family in here and family in one.affirmed:
                    into.right += 1
                elif family in here:
                    into.wrong.append(f"{family}: {one.text}")
                else:
                    into.missed.append(f"{family}: {one.text}")
    return out


def lines() -> Iterator[str]:
    """All sets as text, family by family, with what went wrong outside the held-out half."""
    for name, scores in (
        ("held_out", score(of_sentences("held_out"), half=True)),
        ("tuning", score(of_sentences("tuning"), half=True)),
        ("snippets", score(of_snippets())),
        ("development", score(of_development())),
    ):
        yield name
        for family in ["all", *sorted(set(scores) - {"all"})]:
            one = scores[family]
            there = one.right + len(one.missed)
            yield f"  {family:24} found {one.right} of {there}, {len(one.wrong)} wrong  precision {one.precision:.2f}  recall {one.recall:.2f}"
        if name != "held_out":
            yield from (f"  wrong  {text}" for text in scores["all"].wrong)
            yield from (f"  missed {text}" for text in scores["all"].missed)


def of_hands(directories: Iterable[Path]) -> Iterator[str]:
    """The scores over texts of other hands, by family; no text, so that a half stays sealed."""
    scores = score(text for directory in directories for text in of_hand(directory))
    for family in ["all", *sorted(set(scores) - {"all"})]:
        one = scores[family]
        there = one.right + len(one.missed)
        yield f"{family:20} found {one.right} of {there}, {len(one.wrong)} wrong  precision {one.precision:.2f}  recall {one.recall:.2f}"


if __name__ == "__main__":
    given = [Path(name) for name in sys.argv[1:]]
    print("\n".join(of_hands(given) if given else lines()))
