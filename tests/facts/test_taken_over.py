"""Checks of all limbs in one entry, and restraint that others applied and this crew took over."""

from __future__ import annotations

from typing import Any

import pytest

from service.facts.fact import Fact
from tests.support.episodes import Document, act, check, clock, facts, limb, one, small, vital

WRISTS = [limb("left", on=0), limb("right", on=10)]


def every(minute: float, **more: Any) -> Document:
    found = check(minute, site="all", **more)
    if "side" not in more:
        del found["side"]
    return found


def of(document: Document, key: str) -> Fact:
    return one(document, "limb", key)


def test_a_check_of_all_limbs_counts_for_each_limb_restrained_at_its_time() -> None:
    document = small(limbs=WRISTS, handover=30, monitoring={"limb_checks": [every(5), every(12)]})
    left, right = of(document, "left_arm"), of(document, "right_arm")
    assert (left.values["checks"], right.values["checks"]) == (2, 1)
    assert (left.values["first_check"], right.values["first_check"]) == (5 * 60, 2 * 60)
    assert facts(document, "check", "all")[0].values["limb"] == "all"


def test_a_check_of_all_limbs_of_one_side() -> None:
    document = small(limbs=WRISTS, handover=30, monitoring={"limb_checks": [every(12, side="left")]})
    assert of(document, "left_arm").values["checks"] == 1
    assert of(document, "right_arm").state("checks") == "missing"


def test_an_abnormal_value_of_all_limbs_is_one_event_and_names_no_limb() -> None:
    document = small(
        limbs=WRISTS,
        handover=30,
        monitoring={"limb_checks": [every(12, pulse="absent"), every(15)], "actions": [act(13, "loosened")]},
    )
    (found,) = [fact for fact in facts(document, "event") if fact.values["code"] == "limb_circulation"]
    assert (found.key, "limb" in found.values, found.values["absent_pulse"]) == ("limb_circulation:all", False, True)
    assert (found.values["unanswered"], found.values["unrechecked"]) == (False, False)


def test_a_check_of_all_limbs_is_a_recheck_of_one() -> None:
    document = small(
        limbs=WRISTS,
        handover=30,
        monitoring={"limb_checks": [check(12, pulse="absent"), every(15)], "actions": [act(13, "loosened")]},
    )
    (found,) = [fact for fact in facts(document, "event") if fact.values["code"] == "limb_circulation"]
    assert (found.values["limb"], found.values["unrechecked"]) == ("left_arm", False)


def test_a_device_on_the_torso_is_time_restrained_and_no_limb() -> None:
    document = small(limbs=[{"site": "torso", "device": "vest", "applied_by": "ems", "on": clock(0)}], handover=30)
    assert facts(document, "limb") == []
    assert one(document, "episode").values["restrained"] == 30 * 60
    assert one(document, "device").values["limb"] == "torso"


@pytest.mark.parametrize(
    ("more", "here"),
    [({}, True), ({"taken_over": True}, False), ({"applied_by": "hospital"}, False), ({"taken_over": False}, True)],
)
def test_what_this_unit_did_not_apply(more: Document, here: bool) -> None:
    document = small(limbs=[limb(on=-60, **more)], handover=30)
    assert one(document, "device").values["applied_here"] is here
    assert one(document, "episode").values["ep_taken_over"] is not here


def test_every_clock_of_a_restraint_that_was_taken_over_starts_at_contact() -> None:
    """Contact is at -10."""
    document = small(limbs=[limb(on=None, taken_over=True)], handover=30, monitoring={"limb_checks": [check(8)]})
    fact = of(document, "left_arm")
    assert (fact.values["restrained"], fact.values["first_check"]) == (40 * 60, 18 * 60)


@pytest.mark.parametrize(("completed", "disagrees"), [(3, False), (12, True)])
def test_completion_is_said_of_this_units_own_restraint(completed: float, disagrees: bool) -> None:
    limbs = [
        limb("left", on=3),
        limb("right", on=-40, taken_over=True),
        limb("right", "ankle", on=-40, taken_over=True),
    ]
    document = small(limbs=limbs, application={"completed": clock(completed)})
    assert one(document, "pair", "completed_and_limbs").values["disagrees"] is disagrees


@pytest.mark.parametrize(
    ("sign", "disagrees"), [({"hr": 60}, None), ({"rr": 12}, True), ({"rr": 0}, False), ({"acvpu": "voice"}, True)]
)
def test_only_signs_of_life_speak_against_a_death(sign: Document, disagrees: bool | None) -> None:
    document = small(monitoring={"vitals": [vital(20, **sign)]}, injuries={"death": {"died": True, "time": clock(10)}})
    found = [fact.values["disagrees"] for fact in facts(document, "pair", "death_and_handover")]
    assert found == ([] if disagrees is None else [disagrees])


def test_a_death_after_transfer_speaks_against_the_transfer() -> None:
    document = small(handover=20, injuries={"death": {"died": True, "time": clock(30)}})
    assert one(document, "pair", "death_and_handover").values["disagrees"] is True


@pytest.mark.parametrize(("minute", "charted"), [(-5, True), (5, False)])
def test_unsafe_to_attempt_is_no_answer_after_control(minute: float, charted: bool) -> None:
    """Control is at 0; after it the duty begins anew."""
    unsafe = {"absent": "declined", "reason": "unsafe_to_attempt"}
    document = small(limbs=[limb(on=0)], monitoring={"vitals": [vital(minute, glucose_mg_dl=unsafe)]})
    assert one(document, "episode").values["glucose_charted"] is charted


@pytest.mark.parametrize(("reason", "gap"), [("unsafe_to_attempt", 2), ("other", 6)])
def test_only_what_was_unsafe_before_control_is_an_entry(reason: str, gap: int) -> None:
    """The left wrist is tied at 0, the right one at 10, which is control."""
    declined = {"absent": "declined", "reason": reason}
    vitals = [
        vital(4, rr=declined, spo2=declined),
        vital(6, rr=16, spo2=97),
        vital(8, rr=16, spo2=97),
        vital(10, rr=16, spo2=97),
        vital(12, rr=16, spo2=97),
    ]
    document = small(limbs=WRISTS, handover=12, monitoring={"vitals": vitals})
    assert one(document, "gap", "vitals").values["longest_gap"] == (4 if gap == 2 else gap) * 60
