"""Asked of whom it concerns: twelve situations charted well, each held to the questions that it may raise."""

from __future__ import annotations

import copy

import pytest

from tests.corpora.questions import asked
from tests.corpora.situations import SITUATIONS, Situation
from tests.support.episodes import drop, encoded
from tests.support.pipeline import pipeline


@pytest.mark.parametrize("situation", SITUATIONS, ids=lambda s: s.name)
def test_a_situation_charted_well_raises_no_other_question(situation: Situation) -> None:
    questions = asked(encoded(situation.document), "application/json", "default")
    assert {q.rule: q.text for q in questions}.keys() == situation.questions, [f"{q.rule} {q.text}" for q in questions]


@pytest.mark.parametrize("situation", SITUATIONS, ids=lambda s: s.name)
def test_what_is_left_out_is_asked_for(situation: Situation) -> None:
    """The silence above is no deafness."""
    document = copy.deepcopy(situation.document)
    member, rule = situation.lacking
    drop(document, member)
    assert {q.rule for q in asked(encoded(document), "application/json", "default")} == {rule}


@pytest.mark.parametrize("situation", SITUATIONS, ids=lambda s: s.name)
def test_nothing_false_is_told_of_it(situation: Situation) -> None:
    review = pipeline().review(encoded(situation.document), "application/json", "default").document
    told = {
        f["rule"]["id"]: f["message"]
        for f in review["findings"]
        if f["severity"] != "info" and f["handled_by"] == "reviewer"
    }
    assert told.keys() == situation.told, told
    assert review["tell_now"] == [] or situation.told


def test_there_are_twelve_and_each_argues() -> None:
    assert len({s.name for s in SITUATIONS}) == 12
    assert all(s.why for s in SITUATIONS)
