"""The families against labeled texts, held loosely. The figures come from ``python -m tests.narrative.score``.

The texts were seen while the patterns were written: these floors show that
nothing is lost, and no accuracy on charts that nobody has seen.
"""

from __future__ import annotations

import hashlib
import json

import pytest

from tests.narrative.score import (
    ASSERTED,
    CODES,
    CONCEPTS,
    DENIED,
    lines,
    of_development,
    of_sentences,
    of_snippets,
    score,
    sentences,
)
from tests.support import standards

#: The held-out half as it was before the first phrases were read: labels and words may not follow the code.
HELD_OUT = "381c72d967618cbbedb70cad8e8ad833a2d71bab919f16bfde44b32053586879"


def _said(sentence: dict[str, object]) -> list[str]:
    return [str(concept) for label in ASSERTED + DENIED for concept in sentence.get(label, ())]  # type: ignore[attr-defined]


def test_there_are_two_hundred_sentences_and_half_are_held_out() -> None:
    held_out, tuning = sentences("held_out"), sentences("tuning")
    assert len(held_out) >= 100
    assert len(held_out) + len(tuning) >= 200
    assert not {s["text"] for s in held_out} & {s["text"] for s in tuning}
    assert len({s["text"] for s in held_out + tuning}) == len(held_out) + len(tuning)


def test_the_held_out_half_is_as_it_was_written() -> None:
    text = json.dumps(sentences("held_out"), sort_keys=True)
    assert hashlib.sha256(text.encode()).hexdigest() == HELD_OUT


@pytest.mark.parametrize("half", ["held_out", "tuning"])
def test_both_halves_hold_what_is_said_and_what_is_denied(half: str) -> None:
    """A half without denials could not show a false hit, one without neutral sentences neither."""
    all_of = sentences(half)
    assert {concept for s in all_of for concept in _said(s)} >= set(CONCEPTS) - {"police_purpose"}
    assert sum(any(label in s for label in DENIED) for s in all_of) >= 20
    assert sum(not _said(s) for s in all_of) >= 10
    assert all(set(s) <= {"text", *ASSERTED, *DENIED} for s in all_of)


def test_precision_and_recall_of_the_held_out_half() -> None:
    found = score(of_sentences("held_out"), half=True)["all"]
    assert found.precision >= 0.93, found.wrong
    assert found.recall >= 0.84, found.missed


def test_precision_and_recall_of_the_other_half() -> None:
    found = score(of_sentences("tuning"), half=True)["all"]
    assert found.precision >= 0.95, found.wrong
    assert found.recall >= 0.95, found.missed


@pytest.mark.parametrize("family", ["position", "breathing", "weight"])
def test_words_of_danger_are_found_most_of_the_time(family: str) -> None:
    found = score(of_sentences("held_out"), half=True)[family]
    assert found.recall >= 0.75, found.missed


def test_our_own_snippets() -> None:
    found = score(of_snippets())
    assert set(found) - {"all"} == set(CODES.values())
    assert found["all"].wrong == []
    assert found["all"].missed == []


def test_the_development_set() -> None:
    """440 snippets that were there to write patterns against."""
    found = score(of_development())
    assert sum(1 for _ in of_development()) == 440
    assert found["all"].precision >= 0.97, found["all"].wrong
    assert found["all"].recall >= 0.97, found["all"].missed
    assert min(found[family].recall for family in CODES.values()) >= 0.85


def test_the_figures_can_be_printed() -> None:
    standards.shared("narrative/dev.jsonl")
    text = "\n".join(lines())
    assert "held_out" in text
    assert "precision" in text
