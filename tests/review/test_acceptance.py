"""An acceptance moves the finding it names and silences no other."""

from __future__ import annotations

import copy
import random
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.problems import Rejected
from tests.support.episodes import Document
from tests.support.mutate import LIST_CHANGES, lists, mutated
from tests.support.pipeline import demo, demo_names, pipeline
from tests.support.pointers import by_ids
from tests.support.reviews import review

EXAMPLES = settings(derandomize=True, max_examples=60, deadline=None, database=None)
NAMES = tuple(name for name in demo_names() if name != "exemplary")


def accepting(document: Document, marks: list[str]) -> Document:
    return copy.deepcopy(document) | {
        "accepted": [{"fingerprint": mark, "reason": "Read and agreed."} for mark in marks]
    }


def identity(document: Document, finding: dict[str, Any]) -> tuple[Any, ...]:
    """What makes a finding the one it is, read from the record itself: rule, and places by the ids of their items."""
    return finding["rule"]["id"], frozenset(by_ids(document, place["pointer"]) for place in finding["pointers"])


def codes(answer: Document) -> list[str]:
    return [notice["code"] for notice in answer["notices"]]


def first(answer: Document, **wanted: Any) -> dict[str, Any]:
    return next(f for f in answer["findings"] if all(f[name] == value for name, value in wanted.items()))


@pytest.mark.parametrize("name", NAMES)
def test_an_accepted_finding_is_moved_and_nothing_else_changes(name: str) -> None:
    document = demo(name)
    before = review(pipeline(), document)
    for finding in [f for f in before["findings"] if f["acceptable"]][:5]:
        after = review(pipeline(), accepting(document, [finding["fingerprint"]]))
        assert after["accepted"] == [finding | {"reason": "Read and agreed."}]
        assert after["findings"] == [f for f in before["findings"] if f["fingerprint"] != finding["fingerprint"]]
        assert after["accounts"] == before["accounts"]
        assert after["input_digest"] == before["input_digest"]
        assert after["notices"] == before["notices"]
        assert after["summary"]["findings"] == before["summary"]["findings"] - 1
        assert after["summary"]["accepted"] == 1
        for counts in ("by_severity", "by_category", "by_phase"):
            assert sum(after["summary"][counts].values()) == after["summary"]["findings"]


@pytest.mark.parametrize("name", NAMES)
def test_all_acceptable_findings_at_once(name: str) -> None:
    document = demo(name)
    before = review(pipeline(), document)
    after = review(pipeline(), accepting(document, [f["fingerprint"] for f in before["findings"]]))
    assert [f["fingerprint"] for f in after["accepted"]] == [
        f["fingerprint"] for f in before["findings"] if f["acceptable"]
    ]
    assert after["findings"] == [f for f in before["findings"] if not f["acceptable"]]
    assert codes(after).count("not-acceptable") == len(after["findings"])


@EXAMPLES
@given(st.sampled_from(NAMES), st.integers(0, 2**32), st.integers(1, 8))
def test_an_acceptance_never_silences_a_different_finding(name: str, seed: int, times: int) -> None:
    """Everything is accepted, then items are inserted, deleted and reordered: what is still silent was accepted."""
    document = mutated(demo(name), seed, seed % 5)
    try:
        before = review(pipeline(), document)
    except Rejected:
        return
    agreed = {identity(document, f) for f in before["findings"] if f["acceptable"]}
    changed = mutated(document, seed + 1, times, LIST_CHANGES)
    after = review(pipeline(), accepting(changed, [f["fingerprint"] for f in before["findings"]]))
    for finding in after["accepted"]:
        assert identity(changed, finding) in agreed, finding["rule"]["id"]


@EXAMPLES
@given(st.sampled_from(NAMES), st.integers(0, 2**32))
def test_fingerprints_do_not_change_with_the_order_of_items(name: str, seed: int) -> None:
    """Every timed list may come in any order; postures without a start keep theirs."""
    document = demo(name)
    shuffled = copy.deepcopy(document)
    rng = random.Random(seed)
    for items in lists(shuffled):
        rng.shuffle(items)
    one, other = review(pipeline(), document), review(pipeline(), shuffled)
    assert {f["fingerprint"] for f in one["findings"]} == {f["fingerprint"] for f in other["findings"]}


@EXAMPLES
@given(st.sampled_from(NAMES), st.integers(0, 2**32), st.integers(1, 8))
def test_a_path_through_an_item_without_an_id_cannot_be_accepted(name: str, seed: int, times: int) -> None:
    document = mutated(demo(name), seed, times)
    try:
        answer = review(pipeline(), document)
    except Rejected:
        return
    for finding in answer["findings"]:
        paths = [by_ids(document, place["pointer"]) for place in finding["pointers"]]
        if any(None in path for path in paths):
            assert finding["acceptable"] is False, finding["rule"]["id"]


def _refused(document: Document, finding: dict[str, Any], before: Document) -> None:
    after = review(pipeline(), accepting(document, [finding["fingerprint"]]))
    assert [n for n in after["notices"] if n not in before["notices"]][0]["code"] == "not-acceptable"
    assert {**after, "notices": before["notices"]} == before


def test_a_critical_finding_cannot_be_accepted() -> None:
    document = demo("everything-wrong")
    before = review(pipeline(), document)
    unlocked = {rule.id for rule in pipeline().rulebook.rules if not rule.locked}
    _refused(
        document,
        next(f for f in before["findings"] if f["severity"] == "critical" and f["rule"]["id"] in unlocked),
        before,
    )


def test_a_locked_finding_cannot_be_accepted() -> None:
    document = demo("everything-wrong")
    before = review(pipeline(), document)
    locked = {rule.id for rule in pipeline().rulebook.rules if rule.locked}
    _refused(document, next(f for f in before["findings"] if f["rule"]["id"] in locked), before)


def test_a_finding_on_an_item_without_id_cannot_be_accepted() -> None:
    document = demo("elder-repeated-midazolam")
    for dose in document["sedation"]["doses"]:
        del dose["id"]
    before = review(pipeline(), document)
    _refused(document, first(before, severity="warning", phase="sedation"), before)


def test_an_acceptance_that_matches_nothing_is_a_notice() -> None:
    document = demo("elder-repeated-midazolam")
    before = review(pipeline(), document)
    after = review(pipeline(), accepting(document, ["v1:" + "0" * 32, "v1:" + "1" * 32]))
    assert sorted(codes(after)) == sorted([*codes(before), "acceptance-unused"])
    assert {**after, "notices": before["notices"]} == before


def test_an_acceptance_does_not_outlive_its_item() -> None:
    """The accepted dose is deleted and another one takes its place in the list: the new finding stands."""
    document = demo("night-two-crew-late-sedation")
    finding = first(review(pipeline(), document), phase="sedation", severity="warning")
    assert finding["acceptable"]
    dose = copy.deepcopy(document["sedation"]["doses"][0]) | {"id": "d2"}
    document["sedation"]["doses"] = [dose]
    after = review(pipeline(), accepting(document, [finding["fingerprint"]]))
    assert after["accepted"] == []
    assert any(f["rule"] == finding["rule"] for f in after["findings"])


def test_an_accepted_gap_does_not_silence_another_gap() -> None:
    """Two sets are lost around 18:30 and the gap is accepted; then these are found and two others are lost."""
    document = demo("exemplary")
    vitals = document["monitoring"]["vitals"]
    one, other = copy.deepcopy(document), copy.deepcopy(document)
    one["monitoring"]["vitals"] = [v for v in vitals if v["id"] not in ("v5", "v6")]
    other["monitoring"]["vitals"] = [v for v in vitals if v["id"] not in ("v7", "v8", "v9")]
    (gap,) = [f for f in review(pipeline(), one)["findings"] if f["acceptable"]]
    (wider,) = review(pipeline(), other)["findings"]
    assert gap["rule"] == wider["rule"]
    assert gap["span"] != wider["span"]
    after = review(pipeline(), accepting(other, [gap["fingerprint"]]))
    assert [f["span"] for f in after["findings"]] == [wider["span"]], "the accepted gap was another one"


def test_two_acceptances_of_one_finding_are_not_merged_in_silence() -> None:
    """Two reasons for one finding: one of them would be lost."""
    document = demo("night-two-crew-late-sedation")
    mark = first(review(pipeline(), document), acceptable=True)["fingerprint"]
    twice = document | {"accepted": [{"fingerprint": mark, "reason": "One."}, {"fingerprint": mark, "reason": "Two."}]}
    try:
        after = review(pipeline(), twice)
    except Rejected as refused:
        assert refused.errors[0].pointer == "/accepted/1/fingerprint"
    else:
        assert {"One.", "Two."} <= {f["reason"] for f in after["accepted"]} or "acceptance-unused" in codes(after)
