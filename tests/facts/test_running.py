"""A call that still runs: nothing is judged after the last entry. An end of care without transfer ends every clock."""

from __future__ import annotations

import pytest

from service.facts.fact import Fact
from service.facts.sheet import build
from service.review.build import ends_of_call
from service.review.patient import patient
from tests.support.episodes import Document, act, check, clock, limb, narrative_reader, one, read, small, vital

FIVE = 5 + 1  # min, with the minute for rounding


def event(document: Document, key: str, *, running: bool) -> Fact:
    made = build(read(document).episode, narrative_reader(), running=running).facts
    (found,) = [fact for fact in made if (fact.kind, fact.key) == ("event", key)]
    return found


def record(*vitals: Document, **more: object) -> Document:
    return small(limbs=[limb(on=0)], monitoring={"vitals": list(vitals), "actions": [], "limb_checks": [], **more})


@pytest.mark.parametrize(("last", "known"), [(10, False), (10 + FIVE - 1, False), (10 + FIVE, True)])
def test_an_answer_that_may_still_come_is_not_missed(last: float, known: bool) -> None:
    document = record(vital(10, spo2=80), vital(last, temperature_c=37))
    at_closing, now = (event(document, "spo2_low", running=running) for running in (False, True))
    assert at_closing.values["unanswered_worst"] == 80
    assert ("unanswered_worst" in now.values, now.state("unanswered")) == (known, "recorded" if known else "missing")


def test_what_was_never_answered_stays_known() -> None:
    document = record(vital(10, spo2=70), vital(30, spo2=85))
    assert event(document, "spo2_low", running=True).values["unanswered_worst"] == 70
    worse_now = record(vital(10, spo2=85), vital(30, spo2=70))
    assert event(worse_now, "spo2_low", running=True).state("unanswered_worst") == "missing"


def test_a_charted_event_waits_too() -> None:
    document = record(events=[{"event": "vomiting", "time": clock(10)}])
    now = event(document, "vomiting", running=True)
    names = ("unanswered", "no_check_after", "airway_response", "no_limb_check_after", "restraints_off_charted")
    assert {now.state(name) for name in names} == {"missing"}
    after = event(
        record(events=[{"event": "vomiting", "time": clock(10)}], actions=[act(30, "other")]), "vomiting", running=True
    )
    assert after.values["unanswered"] is True


@pytest.mark.parametrize(
    ("how", "state"),
    [
        ("refused", "released"),
        ("released_to_law_enforcement", "released"),
        ("released_to_guardian", "released"),
        ("died", "died"),
        ("other", "unknown"),
    ],
)
def test_the_end_of_care_without_transfer(how: str, state: str) -> None:
    document = small(limbs=[limb(on=0)], transport={"ended": {"time": clock(20), "how": how}})
    document["monitoring"] = {"limb_checks": [check(4)], "vitals": [vital(40, hr=80)]}
    fact = one(document, "limb")
    assert (fact.values["restrained"], fact.values["ended"], fact.values["longest_gap_sure"]) == (
        20 * 60,
        True,
        15 * 60,
    )
    episode = read(document).episode
    told = patient(episode, running=False)
    assert told["state"] == state and told.get("at") == (clock(20) if state != "unknown" else None)
    assert ends_of_call(episode) == ["/transport/ended/time", "/transport/ended/how"]


def test_a_running_call_stays_open() -> None:
    assert ends_of_call(read(record(vital(1, hr=80))).episode) == []
