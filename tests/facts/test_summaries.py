"""A sedative without an adverse effect, held against trouble soon after it."""

from __future__ import annotations

from typing import Any

import pytest

from tests.support.episodes import Document, clock, drop, facts, put
from tests.support.vectors import MIDDLE, with_signs


def disagrees(document: Document) -> list[bool]:
    return [
        fact.values["disagrees"]
        for fact in facts(document, "pair")
        if fact.values["pair"] == "adverse_effects_and_events"
    ]


def test_trouble_after_a_dose_without_an_effect_disagrees() -> None:
    assert disagrees(with_signs()) == [False]
    assert disagrees(with_signs(MIDDLE, spo2=89)) == [True]
    assert disagrees(with_signs(MIDDLE, spo2=90)) == [False]
    assert disagrees(with_signs(MIDDLE, rr=7)) == [True]


@pytest.mark.parametrize(
    ("path", "value"),
    [
        ("/sedation/doses/0/adverse_effects", ["hypoxia"]),
        ("/injuries/complications", [{"id": "x1", "complication": "hypoxia", "time": clock(28)}]),
    ],
)
def test_an_effect_that_is_charted_anywhere_is_charted(path: str, value: Any) -> None:
    document = with_signs(MIDDLE, spo2=89)
    put(document, path, value)
    assert disagrees(document) == [False]


def test_what_was_so_before_the_dose_proves_nothing_of_it() -> None:
    assert disagrees(with_signs(0, with_signs(MIDDLE, spo2=89), rr=7)) == []


def test_an_effect_that_is_left_out_says_nothing() -> None:
    document = with_signs(MIDDLE, spo2=89)
    drop(document, "/sedation/doses/0/adverse_effects")
    assert disagrees(document) == []
