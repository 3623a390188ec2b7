"""A call that still runs is asked only for what is due now, and a call that is over is reviewed as over."""

from __future__ import annotations

import pytest

from service.review.build import Wanted
from tests.support.episodes import Document, encoded, exemplary
from tests.support.pipeline import demo, demo_names, pipeline

DUE = {rule.id: rule.due for rule in pipeline().rulebook.rules}


def answer(document: Document, stage: str = "open") -> Document:
    wanted = Wanted(accounts=True, stage="open" if stage == "open" else "closing")
    return pipeline().review(encoded(document), "application/json", "default", wanted).document


def running(name: str) -> Document:
    """A demo episode before its transfer of care."""
    document = demo(name)
    document.pop("handover", None)
    document.get("chart", {}).pop("closed", None)
    return document


def codes(document: Document) -> list[str]:
    return [notice["code"] for notice in document["notices"]]


@pytest.mark.parametrize("name", demo_names())
def test_what_is_due_later_is_not_applicable(name: str) -> None:
    document = running(name)
    after, closing = answer(document), answer(document, "closing")
    assert (after["stage"], closing["stage"]) == ("open", "closing")
    outcomes = {account["rule"]: account["outcome"] for account in after["accounts"]}
    assert set(outcomes) == set(DUE)
    assert {outcomes[rule] for rule, due in DUE.items() if due != "now"} == {"not_applicable"}
    at_closing = {account["rule"]: account["outcome"] for account in closing["accounts"]}
    assert {r: o for r, o in outcomes.items() if DUE[r] == "now"} == {
        r: o for r, o in at_closing.items() if DUE[r] == "now"
    }
    shown = [f["key"] for f in after["findings"]] + [entry["rule"] for entry in after["counted"]]
    shown += [rule["id"] for group in after["not_assessable"] for rule in group["rules"]]
    shown += [entry["rule"]["id"] for entry in after["unjudged"]]
    assert {DUE[rule] for rule in shown} <= {"now"}
    assert after["summary"]["rules"] == len(DUE)


def test_a_transfer_that_has_not_come_is_not_asked_for() -> None:
    document = running("exemplary")
    assert "RR-1137" in {f["key"] for f in answer(document, "closing")["findings"]}
    assert answer(document)["findings"] == []


@pytest.mark.parametrize("name", demo_names())
def test_a_danger_is_told_while_there_is_time(name: str) -> None:
    """Safety rules that are critical are all due now: nothing told at closing would have been silent before."""
    document = running(name)
    early = {line["rule"] for line in answer(document)["tell_now"]}
    late = {line["rule"] for line in answer(document, "closing")["tell_now"]}
    assert {rule for rule in late if DUE[rule] == "now"} == early
    for rule in pipeline().rulebook.rules:
        if "critical" in rule.severity_allowed and rule.category == "safety" and rule.about == "event":
            assert rule.due == "now", rule.id


def test_a_running_call_says_that_this_is_no_monitor() -> None:
    document = running("exemplary")
    after, closing = answer(document), answer(document, "closing")
    assert after["cautions"][:-1] == closing["cautions"]
    assert "not a monitor" in after["cautions"][-1]
    assert "do not poll" in after["cautions"][-1]
    assert after["patient"]["state"] == "with_crew"
    assert closing["patient"]["state"] == "unknown"


@pytest.mark.parametrize("end", ["/handover/time", "/chart/closed"])
def test_a_call_that_is_over_is_reviewed_as_at_closing(end: str) -> None:
    document = exemplary()
    section, member = end.split("/")[1:]
    kept = document[section][member]
    document = running("exemplary")
    document.setdefault(section, {})[member] = kept
    after, closing = answer(document), answer(document, "closing")
    assert after["stage"] == "closing"
    (notice,) = [n for n in after["notices"] if n not in closing["notices"]]
    assert notice["code"] == "call-is-over"
    assert notice["pointers"] == [end]
    assert {**after, "notices": []} == {**closing, "notices": []}


def test_a_mark_of_absence_ends_no_call() -> None:
    document = running("exemplary")
    document["handover"] = {"time": {"absent": "not_collected"}}
    assert answer(document)["stage"] == "open"
    assert "call-is-over" not in codes(answer(document))
