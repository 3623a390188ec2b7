"""An acceptance moves the finding it names and silences no other."""

from __future__ import annotations

import copy
import random
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.problems import Rejected
from service.review.build import Wanted
from tests.support.episodes import Document, encoded
from tests.support.mutate import LIST_CHANGES, lists, mutated
from tests.support.pipeline import demo, demo_names, pipeline
from tests.support.pointers import by_ids
from tests.support.reviews import instances, review

EXAMPLES = settings(derandomize=True, max_examples=60, deadline=None, database=None)
#: The demo episodes with something to accept.
NAMES = tuple(name for name in demo_names() if name not in ("exemplary", "hold-only"))
#: First check of a limb too late.
LATE = "RR-1305"


ACCOUNTS = Wanted(accounts=True)
#: Rules that tell several places in one sentence.
TOLD_TOGETHER = frozenset(
    rule.id for rule in pipeline().rulebook.rules if pipeline().rulebook.texts[rule.id].many is not None
)


def accepting(document: Document, marks: list[str], **said: str) -> Document:
    given = {"reason": "Read and agreed.", **said}
    return copy.deepcopy(document) | {"accepted": [{"fingerprint": mark, **given} for mark in marks]}


def accounted(document: Document) -> Document:
    return pipeline().review(encoded(document), "application/json", "default", ACCOUNTS).document


def identity(document: Document, one: dict[str, Any]) -> tuple[Any, ...]:
    """What makes an instance the one it is, read from the record itself: rule, and places by the ids of their items."""
    return one["rule"]["id"], frozenset(by_ids(document, place["pointer"]) for place in one["pointers"])


def marks(answer: Document, member: str = "findings") -> list[str]:
    return [one["fingerprint"] for one in instances(answer, member)]


def codes(answer: Document) -> list[str]:
    return [notice["code"] for notice in answer["notices"]]


def first(answer: Document, **wanted: Any) -> dict[str, Any]:
    return next(one for one in instances(answer) if all(one[name] == value for name, value in wanted.items()))


def covered_by(answer: Document, key: str) -> dict[str, int]:
    """Rules that the finding ``key`` covers, and how often."""
    return {each["rule"]: each["facts"] for each in answer["covered"] if each["by"] == key}


def without(finding: dict[str, Any], *names: str) -> dict[str, Any]:
    return {name: value for name, value in finding.items() if name not in names}


@pytest.mark.parametrize("name", NAMES)
def test_an_accepted_instance_is_moved_and_nothing_else_changes(name: str) -> None:
    """Save that what the accepted one covered stands by itself: an accepted finding covers nothing."""
    document = demo(name)
    before = accounted(document)
    taken = [(f, one) for f in before["findings"] for one in f["instances"] if one["acceptable"]]
    for finding, one in taken[:: max(1, len(taken) // 6)]:
        after = accounted(accepting(document, [one["fingerprint"]]))
        (accepted,) = after["accepted"]
        assert accepted["rule"] == finding["rule"]
        assert accepted["instances"] == [one | {"reason": "Read and agreed."}]
        rest = [other for other in finding["instances"] if other != one]
        uncovered = covered_by(before, finding["key"])
        others = {f["key"]: without(f, "story") for f in before["findings"] if f is not finding}
        now = {f["key"]: without(f, "story") for f in after["findings"]}
        if rest:
            left = now.pop(finding["key"])
            said = left["message"] if len(rest) > 1 and finding["key"] in TOLD_TOGETHER else rest[0]["message"]
            assert left == without(finding, "story") | {"instances": rest, "message": said}
        for key in now.keys() - others.keys():
            assert now.pop(key)["key"] in uncovered
        for key in uncovered & others.keys():
            more = [each for each in now[key]["instances"] if each not in others[key]["instances"]]
            assert [each for each in now[key]["instances"] if each not in more] == others[key]["instances"]
            assert len(more) <= uncovered[key]
            del now[key], others[key]
        assert now == others
        for same in ("accounts", "input_digest", "notices", "tell_now", "unjudged", "not_assessable", "counted"):
            assert after[same] == before[same], same
        assert after["summary"]["covered"] <= before["summary"]["covered"]
        for answer in (before, after):
            assert answer["summary"]["findings"] == len(answer["findings"])
        assert after["summary"]["accepted"] == (not rest)
        for counts in ("by_severity", "by_category", "by_concern", "by_handler"):
            assert sum(after["summary"][counts].values()) == after["summary"]["findings"]


@pytest.mark.parametrize("name", NAMES)
def test_all_acceptable_findings_at_once(name: str) -> None:
    document = demo(name)
    before = accounted(document)
    given = instances(before)
    after = accounted(accepting(document, [one["fingerprint"] for one in given]))
    may = {one["fingerprint"] for one in given if one["acceptable"]}
    assert set(marks(after, "accepted")) == may
    refused = {one["fingerprint"] for one in given} - may
    assert refused <= set(marks(after))
    for one in instances(after):
        if one["fingerprint"] not in refused:
            uppers = {each["by"] for each in before["covered"] if each["rule"] == one["key"]}
            assert uppers & {f["key"] for f in after["accepted"]}, one["key"]
    assert codes(after).count("not-acceptable") == len(refused)
    assert after["accounts"] == before["accounts"]
    assert after["summary"]["accepted"] == len(
        {f["key"] for f in after["accepted"]} - {f["key"] for f in after["findings"]}
    )


def test_what_an_accepted_finding_covered_stands_by_itself() -> None:
    """Cuffs behind the back cover the posture of the hands; accepted, they leave it to be looked at."""
    document = demo("found-prone-handcuffs-key-away")
    before = accounted(document)
    assert {"rule": "RR-1108", "by": "RR-1110", "facts": 2} in before["covered"]
    cuffs = first(before, key="RR-1110")
    after = accounted(accepting(document, [cuffs["fingerprint"]]))
    assert "RR-1108" not in {each["rule"] for each in after["covered"]}
    assert [len(f["instances"]) for f in after["findings"] if f["key"] == "RR-1108"] == [2]
    assert after["summary"]["findings"] == before["summary"]["findings"]
    assert after["summary"]["covered"] == before["summary"]["covered"] - 1


def test_a_finding_is_accepted_when_all_its_instances_are() -> None:
    """Four limbs first checked late: three accepted leave a finding of one limb, four leave none."""
    document = demo("night-two-crew-late-sedation")
    before = accounted(document)
    limbs = [one["fingerprint"] for one in instances(before) if one["rule"]["id"] == LATE]
    assert len(limbs) == 4
    three = accounted(accepting(document, limbs[:3]))
    assert [f["instances"][0]["fingerprint"] for f in three["findings"] if f["key"] == LATE] == limbs[3:]
    assert three["summary"]["findings"] == before["summary"]["findings"]
    assert three["summary"]["accepted"] == 0
    assert [len(f["instances"]) for f in three["accepted"]] == [3]
    four = accounted(accepting(document, limbs))
    assert LATE not in {f["key"] for f in four["findings"]}
    assert four["summary"]["findings"] == before["summary"]["findings"] - 1
    assert four["summary"]["accepted"] == 1
    assert four["summary"]["finding"] == before["summary"]["finding"], "the rule's outcome stays"


def test_who_accepted_and_when_comes_back() -> None:
    document = demo("night-two-crew-late-sedation")
    one = first(review(pipeline(), document), acceptable=True)
    said = {"by": "qa-7", "at": "2031-05-05T09:30:00-06:00"}
    (accepted,) = instances(review(pipeline(), accepting(document, [one["fingerprint"]], **said)), "accepted")
    assert {name: accepted[name] for name in ("reason", "by", "at")} == {"reason": "Read and agreed.", **said}
    (plain,) = instances(review(pipeline(), accepting(document, [one["fingerprint"]])), "accepted")
    assert not {"by", "at"} & set(plain)


def test_what_was_accepted_says_what_a_finding_says() -> None:
    document = demo("elder-repeated-midazolam")
    finding = next(f for f in review(pipeline(), document)["findings"] if len(f["instances"]) == 1)
    after = review(pipeline(), accepting(document, [finding["instances"][0]["fingerprint"]]))
    assert [without(f, "instances") for f in after["accepted"]] == [without(finding, "instances") | {"story": None}]


@EXAMPLES
@given(st.sampled_from(NAMES), st.integers(0, 2**32), st.integers(1, 8))
def test_an_acceptance_never_silences_a_different_finding(name: str, seed: int, times: int) -> None:
    """Everything is accepted, then items are inserted, deleted and reordered: what is still silent was accepted."""
    document = mutated(demo(name), seed, seed % 5)
    try:
        before = review(pipeline(), document)
    except Rejected:
        return
    agreed = {identity(document, one) for one in instances(before) if one["acceptable"]}
    changed = mutated(document, seed + 1, times, LIST_CHANGES)
    after = review(pipeline(), accepting(changed, marks(before)))
    for one in instances(after, "accepted"):
        assert identity(changed, one) in agreed, one["rule"]["id"]


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
    assert set(marks(one)) == set(marks(other))


@EXAMPLES
@given(st.sampled_from(NAMES), st.integers(0, 2**32), st.integers(1, 8))
def test_a_path_through_an_item_without_an_id_cannot_be_accepted(name: str, seed: int, times: int) -> None:
    document = mutated(demo(name), seed, times)
    try:
        answer = review(pipeline(), document)
    except Rejected:
        return
    for one in instances(answer):
        paths = [by_ids(document, place["pointer"]) for place in one["pointers"]]
        if any(None in path for path in paths):
            assert one["acceptable"] is False, one["rule"]["id"]


def _refused(document: Document, one: dict[str, Any], before: Document) -> None:
    """The acceptance is answered with one notice that names the rule and leads to it; nothing else changes."""
    after = review(pipeline(), accepting(document, [one["fingerprint"]]))
    (notice,) = [n for n in after["notices"] if n not in before["notices"]]
    assert notice["code"] == "not-acceptable"
    assert one["rule"]["id"] in notice["text"]
    assert notice["pointers"] == ["/accepted/0"]
    assert one["acceptable"] is False
    assert {**after, "notices": before["notices"]} == before


def test_a_critical_finding_cannot_be_accepted() -> None:
    document = demo("everything-wrong")
    before = review(pipeline(), document)
    unlocked = {rule.id for rule in pipeline().rulebook.rules if not rule.locked}
    _refused(
        document,
        next(one for one in instances(before) if one["severity"] == "critical" and one["rule"]["id"] in unlocked),
        before,
    )


def test_a_locked_finding_cannot_be_accepted() -> None:
    document = demo("everything-wrong")
    before = review(pipeline(), document)
    locked = {rule.id for rule in pipeline().rulebook.rules if rule.locked}
    _refused(document, next(one for one in instances(before) if one["rule"]["id"] in locked), before)


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
    (notice,) = [n for n in after["notices"] if n not in before["notices"]]
    assert notice["code"] == "acceptance-unused"
    assert notice["pointers"] == ["/accepted/0", "/accepted/1"]
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
    assert finding["key"] in {f["key"] for f in after["findings"]}


def test_an_accepted_gap_does_not_silence_another_gap() -> None:
    """Two sets are lost around 18:30 and the gap is accepted; then these are found and two others are lost."""
    document = demo("exemplary")
    vitals = document["monitoring"]["vitals"]
    one, other = copy.deepcopy(document), copy.deepcopy(document)
    one["monitoring"]["vitals"] = [v for v in vitals if v["id"] not in ("v5", "v6")]
    other["monitoring"]["vitals"] = [v for v in vitals if v["id"] not in ("v7", "v8", "v9")]
    (gap,) = [f for f in instances(review(pipeline(), one)) if f["acceptable"]]
    (wider,) = instances(review(pipeline(), other))
    assert gap["rule"] == wider["rule"]
    assert gap["span"] != wider["span"]
    after = review(pipeline(), accepting(other, [gap["fingerprint"]]))
    assert [f["span"] for f in instances(after)] == [wider["span"]], "the accepted gap was another one"


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
        assert {"One.", "Two."} <= {f["reason"] for f in instances(after, "accepted")} or (
            "acceptance-unused" in codes(after)
        )
