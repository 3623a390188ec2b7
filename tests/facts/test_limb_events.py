"""Lost circulation beyond a restraint, and what was done about it."""

from __future__ import annotations

from typing import Any

import pytest

from service.facts.fact import Fact
from tests.support.episodes import act, check, clock, facts, limb, one, small


def answer(fact: Fact) -> str:
    return "unanswered" if fact.values["unanswered"] else "unrechecked" if fact.values["unrechecked"] else "answered"


def limb_event(**changes: Any) -> Fact:
    seen = {"pulse": "absent"}
    document = small(
        limbs=[limb(on=0, off=changes.get("off", 50))], handover=60,
        monitoring={"limb_checks": [check(10, **seen), *changes.get("later", [])], "actions": changes.get("actions", [])},
        **changes.get("more", {}),
    )  # fmt: skip
    return one(document, "event", "limb_circulation:left_arm")


def test_lost_circulation_and_what_was_done() -> None:
    assert answer(limb_event()) == "unanswered"
    assert answer(limb_event(actions=[act(11, "loosened")])) == "unrechecked"
    assert answer(limb_event(actions=[act(11, "loosened", side="left", site="wrist")], later=[check(14)])) == "answered"
    assert (
        answer(limb_event(actions=[act(11, "loosened", side="right", site="wrist")], later=[check(14)])) == "unanswered"
    )
    assert answer(limb_event(actions=[act(11, "oxygen_given")], later=[check(14)])) == "unanswered"


def test_taking_the_device_off_is_a_response() -> None:
    assert answer(limb_event(off=12, later=[check(14)])) == "answered"


def test_taking_a_police_device_off_is_a_response() -> None:
    cuffs = {"device": "handcuffs", "site": "wrists_in_front", "on": clock(-5), "off": clock(12)}
    document = small(
        application={"limbs": []}, custody={"devices": [cuffs]}, handover=60,
        monitoring={"limb_checks": [check(10, pulse="absent"), check(14)], "actions": []},
    )  # fmt: skip
    assert answer(one(document, "event", "limb_circulation:left_arm")) == "answered"


@pytest.mark.parametrize(
    ("signs", "expected"),
    [
        ({"cap_refill_s": 2.0}, None),
        ({"cap_refill_s": 2.1}, (False, False, 21)),
        ({"cap_refill_other_side": "longer"}, (False, True, 0)),
        ({"pulse": "absent", "cap_refill_s": 4}, (True, False, 40)),
        ({"pulse": "weak"}, None),
    ],
)
def test_what_is_lost_circulation(signs: dict[str, Any], expected: tuple[bool, bool, int] | None) -> None:
    document = small(limbs=[limb(on=0)], handover=60, monitoring={"limb_checks": [check(10, **signs)]})
    found = facts(document, "event", "limb_circulation:left_arm")
    assert [(f.values["absent_pulse"], f.values["longer_than_other_side"], f.values["refill"]) for f in found] == (
        [expected] if expected else []
    )
