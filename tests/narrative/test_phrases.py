"""Declared phrases in the narrative: negation and attribution after NegEx (Chapman 2001) and ConText (Harkema 2009)."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from itertools import product

import pytest

from service.intake import strict_yaml
from service.narrative.phrases import compile_phrases, scan
from service.resources import rules_directory
from tests.support.episodes import facts, one, small


def hits(text: str, family: str) -> tuple[int, int, int]:
    """(hits, affirmed, quoted) of a family."""
    found = facts(small(narrative=text), "phrase", family)
    if not found:
        return (0, 0, 0)
    values = found[0].values
    return tuple(int(values[n]) for n in ("hits", "affirmed", "quoted"))  # type: ignore[return-value]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("Patient was placed prone.", (1, 1, 0)),
        ("Patient was not placed prone.", (1, 0, 0)),
        ("Never prone, kept on the side.", (1, 0, 0)),
        ("Denies pain. Placed prone.", (1, 1, 0)),
        ("No weapons found, but placed prone.", (1, 1, 0)),
        ("Prone was avoided.", (1, 0, 0)),
        ("Found prone, then turned at once, not prone after.", (2, 1, 0)),
        ("Police stated he was prone.", (1, 1, 0)),
        ("Per police he was prone.", (1, 1, 1)),
        ('He said "I was prone" to us.', (1, 1, 1)),
        ("PRONE", (1, 1, 0)),
        ("Prone to anger? Proneness. Unprone.", (1, 1, 0)),
        ("", (0, 0, 0)),
    ],
)
def test_negation_and_attribution(text: str, expected: tuple[int, int, int]) -> None:
    assert hits(text, "prone_or_hogtie") == expected


def test_a_breathing_complaint_is_not_a_negation_of_itself() -> None:
    for text in ("He can't breathe.", "She cannot breathe.", "Could not breathe well."):
        assert hits(text, "breathing_complaint") == (1, 1, 0)


@pytest.mark.parametrize("text", ["He can\u2019t breathe.", "Couldn\u2019t breathe."])
def test_the_apostrophe_that_phones_and_tablets_write(text: str) -> None:
    assert hits(text, "breathing_complaint") == (1, 1, 0)


@pytest.mark.parametrize("gap", [" ", "  ", "\t", "\u00a0", "\n", "\r\n"])
def test_any_white_space_stands_in_a_phrase(gap: str) -> None:
    """Narratives come wrapped into lines: a phrase over the end of a line is the same phrase."""
    assert hits(f"Signs of excited{gap}delirium.", "outdated_diagnosis")[0] == 1


def test_places_are_code_points_of_the_narrative() -> None:
    text = "\U0001f600 é Excited delirium, later ExDS."
    fact = one(small(narrative=text), "phrase", "outdated_diagnosis")
    assert [text[e.chars[0] : e.chars[1]] for e in fact.pointers if e.chars] == ["Excited delirium", "ExDS"]
    assert all(e.pointer == "/narrative" for e in fact.pointers)


def test_no_text_of_the_narrative_in_a_fact() -> None:
    fact = one(small(narrative="Canary7391 was prone, canary7391."), "phrase", "prone_or_hogtie")
    assert "anary7391" not in repr(fact)


def spelled_out(phrase: str, slots: Mapping[str, Sequence[str]]) -> Iterator[str]:
    """Every text that a phrase stands for, with one word in the gap and the first three words of each slot."""
    names = re.findall(r"\{(\w+)\}", phrase)
    for words in product(*[slots[name][:3] for name in names]):
        text = phrase.replace("...", "quickly")
        for name, word in zip(names, words, strict=True):
            text = text.replace(f"{{{name}}}", word, 1)
        yield " ".join(text.split())


def test_no_phrase_is_passed_over_for_want_of_a_word() -> None:
    """A family is only looked for when a text holds a word that its phrases need."""
    declared = strict_yaml.load(rules_directory() / "vocabulary.yaml")["phrases"]
    compiled = compile_phrases(declared)
    passed_over, tried = [], 0
    for family, phrases in declared["families"].items():
        for text in (text for phrase in phrases for text in spelled_out(phrase, declared["words"])):
            tried += 1
            if compiled.families[family].fullmatch(text) and not compiled.needed[family] & set(
                re.findall("[a-z0-9]+", text)
            ):
                passed_over.append((family, text))
            assert scan(f"Then {text}.", compiled) or compiled.masks.search(text), text
    assert passed_over == []
    assert tried > 500
