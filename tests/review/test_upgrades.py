"""What becomes of stored acceptances under a new ruleset, and when items have no ids."""

from __future__ import annotations

import copy
from dataclasses import replace
from typing import Any

from service.review import instances as of_review
from tests.support.episodes import Document, encoded
from tests.support.pipeline import demo, pipeline
from tests.support.reviews import instances, review

NAME = "night-two-crew-late-sedation"


def accepting(document: Document, marks: list[str]) -> Document:
    return copy.deepcopy(document) | {"accepted": [{"fingerprint": mark, "reason": "Read."} for mark in marks]}


def notices(answer: Document, code: str) -> list[dict[str, Any]]:
    return [notice for notice in answer["notices"] if notice["code"] == code]


def acceptable(answer: Document) -> list[str]:
    return [str(one["fingerprint"]) for one in instances(answer) if one["acceptable"]]


def test_a_new_revision_of_a_rule_keeps_its_fingerprints_and_a_new_id_does_not() -> None:
    """Nobody has read what a rule of another id says, so an acceptance does not follow a redirect."""
    found = pipeline().review(b'{"episode_ref": "e"}', "application/json", "default").sheet.facts[0]
    rule = pipeline().rulebook.rules[0]
    mark = of_review.fingerprint(rule, found, ["/handover"])
    assert mark == of_review.fingerprint(
        replace(rule, revision=rule.revision + 1, title="Said anew"), found, ["/handover"]
    )
    assert mark != of_review.fingerprint(replace(rule, id="RR-1999"), found, ["/handover"])


def test_the_acceptance_of_a_rule_that_was_replaced_is_told_and_silences_nothing() -> None:
    document = demo(NAME)
    before = review(pipeline(), document)
    shown = pipeline().review(encoded(document), "application/json", "default")
    rule, one = next((r, i) for r, found in shown.found.items() for i in found if i.acceptable and _stands(before, i))
    of_old = of_review.fingerprint(
        replace(one.entry.rule, id="RR-1998"), one.fact, (place.by_ids()[0] for place in one.places)
    )
    after = review(pipeline(), accepting(document, [of_old]))
    assert after["findings"] == before["findings"] and after["accepted"] == []
    (told,) = notices(after, "acceptance-unused")
    assert told["pointers"] == ["/accepted/0"] and "its rule was replaced" in told["text"], rule


def _stands(answer: Document, one: of_review.Instance) -> bool:
    return any(one.fingerprint == each["fingerprint"] for each in instances(answer))


def test_a_review_says_which_acceptances_hold_and_which_did_not_match() -> None:
    document = demo(NAME)
    marks = acceptable(review(pipeline(), document))[:2]
    after = review(pipeline(), accepting(document, ["v1:" + "0" * 32, *marks]))
    assert {one["fingerprint"] for one in instances(after, "accepted")} == set(marks)
    (told,) = notices(after, "acceptance-unused")
    assert told["pointers"] == ["/accepted/0"] and told["text"].endswith("2 still hold.")
    assert notices(review(pipeline(), accepting(document, marks)), "acceptance-unused") == []


def test_without_item_ids_a_notice_says_that_acceptances_may_be_lost() -> None:
    document = demo(NAME)
    assert notices(review(pipeline(), document), "items-without-ids") == []
    for dose in document["sedation"]["doses"]:
        del dose["id"]
    (told,) = notices(review(pipeline(), document), "items-without-ids")
    assert "acceptances may be lost" in told["text"] and "/sedation/doses/0" in told["pointers"]


def test_with_ids_acceptances_survive_entries_that_are_put_in_first() -> None:
    """The new entries may answer a finding; what is left is accepted as before."""
    document = demo(NAME)
    before = review(pipeline(), document)
    changed = copy.deepcopy(document)
    vitals = changed["monitoring"]["vitals"]
    vitals.insert(0, copy.deepcopy(vitals[0]) | {"id": "new-1"})
    after = review(pipeline(), accepting(changed, acceptable(before)))
    kept = {one["fingerprint"] for one in instances(after, "accepted")}
    gone = set(acceptable(before)) - kept
    assert kept and not gone & {one["fingerprint"] for one in instances(after)}
