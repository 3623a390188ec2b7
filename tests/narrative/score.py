"""Precision and recall of the declared phrases over the labeled sentences: ``python -m tests.narrative.score``.

One decision is one concept in one sentence. It counts as found when a phrase of
one of the concept's families is affirmed (not negated, not history, plan or
rule); it is right when the label says that the sentence asserts it, by whoever's
hand. Negation and scope follow NegEx (Chapman 2001) and ConText (Harkema 2009);
the measures are those that both papers report.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from service.narrative.phrases import scan

from service.intake import strict_yaml
from tests.support.episodes import declared_phrases

SENTENCES = Path(__file__).with_name("sentences.yaml")

#: The concept of a label -> the phrase families that speak of it.
FAMILIES = {
    "outdated_diagnosis": {"outdated_diagnosis"},
    "punitive": {"punitive", "convenience"},
    "police_purpose": {"police_purpose"},
    "prone": {"prone_or_hogtie"},
    "hog_tie": {"prone_or_hogtie"},
    "breathing_complaint": {"breathing_complaint"},
    "torso_weight": {"weight_on_torso"},
    "knot": {"knots"},
    "rail": {"rails"},
    "normal_limits": {"within_normal_limits"},
}
#: Families that are one concept for the scanner.
MERGED = {"convenience": "punitive"}
ASSERTED, DENIED = ("says", "others"), ("negated", "not_now")


@dataclass
class Score:
    """Decisions of one concept, or of all."""

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
    """The sentences of one half, ``held_out`` or ``tuning``."""
    return list(strict_yaml.load(SENTENCES)[half])


def _families(sentence: dict[str, Any], labels: tuple[str, ...]) -> set[str]:
    named = [concept for label in labels for concept in sentence.get(label, ())]
    return {MERGED.get(family, family) for concept in named for family in FAMILIES[concept]}


def _found(text: str) -> set[str]:
    hits = scan(text, declared_phrases())
    return {MERGED.get(family, family) for family, found in hits.items() if any(not hit.negated for hit in found)}


def score(half: str) -> dict[str, Score]:
    """The score of every family, and of ``all`` together."""
    out: dict[str, Score] = {"all": Score()}
    for sentence in sentences(half):
        there, found = _families(sentence, ASSERTED), _found(sentence["text"])
        for family in there | found:
            for one in (out["all"], out.setdefault(family, Score())):
                if family in there and family in found:
                    one.right += 1
                elif family in found:
                    one.wrong.append(f"{family}: {sentence['text']}")
                else:
                    one.missed.append(f"{family}: {sentence['text']}")
    return out


def lines() -> Iterator[str]:
    """Both halves as text, family by family, and for the tuning half what went wrong."""
    for half in ("held_out", "tuning"):
        scores = score(half)
        yield f"{half}: {len(sentences(half))} sentences"
        for family in ["all", *sorted(set(scores) - {"all"})]:
            one = scores[family]
            yield f"  {family:24} precision {one.precision:.2f}  recall {one.recall:.2f}  ({one.right} right, {len(one.wrong)} wrong, {len(one.missed)} missed)"
        if half == "tuning":
            yield from (f"  wrong  {text}" for text in scores["all"].wrong)
            yield from (f"  missed {text}" for text in scores["all"].missed)


if __name__ == "__main__":
    print("\n".join(lines()))
