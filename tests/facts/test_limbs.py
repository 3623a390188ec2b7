"""Restrained time and checks, limb by limb (a limb runs from its own device's time on to its own time off)."""

from __future__ import annotations

from typing import Any

import pytest

from service.facts.fact import Fact
from tests.support.episodes import Document, check, clock, facts, limb, one, small, vital

DECLINED = {"absent": "declined", "reason": "other"}


def left_arm(limbs: list[Document], checks: list[Document] | None = None, **more: Any) -> Fact:
    more.setdefault("handover", 40)
    if checks is not None:
        more["monitoring"] = {"limb_checks": checks}
    return one(small(limbs=limbs, **more), "limb", "left_arm")


def minutes(fact: Fact, *names: str) -> tuple[float | None, ...]:
    return tuple(fact.values[n] / 60 if n in fact.values else None for n in names)  # type: ignore[operator]


# ---------------------------------------------------------------- gaps


def test_gaps_lie_between_checks_and_up_to_the_end() -> None:
    fact = left_arm([limb(on=0, off=40)], [check(4), check(10), check(25)])
    assert minutes(fact, "restrained", "first_check", "first_check_sure", "longest_gap", "longest_gap_sure") == (
        40,
        4,
        3,
        15,
        14,
    )
    assert fact.values["checks"] == 3
    start, end = fact.spans["longest_gap_sure"]
    assert end - start == 15 * 60


def test_the_wait_for_the_first_check_is_no_gap() -> None:
    fact = left_arm([limb(on=0, off=40)], [check(30), check(35)])
    assert minutes(fact, "first_check", "longest_gap") == (30, 5)


@pytest.mark.parametrize(("seconds", "sure"), [(0, 0), (59, 0), (60, 0), (61, 1), (300, 240), (961, 901)])
def test_sixty_seconds_are_taken_off_and_never_below_zero(seconds: int, sure: int) -> None:
    fact = left_arm([limb(on=0, off=40)], [check(seconds / 60), check(39)])
    assert (fact.values["first_check"], fact.values["first_check_sure"]) == (seconds, sure)


def test_checks_before_and_after_the_span_do_not_count() -> None:
    fact = left_arm([limb(on=10, off=30)], [check(9), check(15), check(31)])
    assert (fact.values["checks"], *minutes(fact, "first_check", "longest_gap")) == (1, 5, 15)
    assert left_arm([limb(on=10, off=30)], [check(9), check(31)]).state("checks") == "missing"


def test_a_check_of_another_limb_does_not_count() -> None:
    fact = left_arm([limb(on=0, off=40)], [check(4, "right"), check(4, "left", "ankle")])
    assert fact.state("checks") == "missing" and fact.values["any_limb_checked"] is False
    assert {fact.state(n) for n in ("first_check", "longest_gap", "longest_gap_sure")} == {"missing"}


@pytest.mark.parametrize("site", ["wrist", "forearm"])
@pytest.mark.parametrize("other", ["wrist", "forearm"])
def test_any_site_of_the_arm_is_that_arm(site: str, other: str) -> None:
    assert left_arm([limb(on=0, off=40, site=site)], [check(4, site=other)]).values["checks"] == 1


def test_leg_restrained_at_the_thigh_and_checked_at_the_ankle() -> None:
    document = small(
        limbs=[limb("right", "thigh", 0, 30)], handover=30, monitoring={"limb_checks": [check(6, "right", "ankle")]}
    )
    fact = one(document, "limb", "right_leg").values
    assert (fact["checks"], fact["first_check"], fact["longest_gap"]) == (1, 360, 24 * 60)
    assert one(document, "check").values["limb_restrained"] is True


def test_two_sites_on_one_leg_are_one_limb() -> None:
    limbs = [limb("left", "ankle", 0, 20), limb("left", "thigh", 10, 35)]
    document = small(
        limbs=limbs,
        handover=40,
        monitoring={"limb_checks": [check(5, "left", "ankle"), check(15, "left", "thigh"), check(30, "left", "ankle")]},
    )
    fact = one(document, "limb", "left_leg")
    assert minutes(fact, "restrained", "first_check", "longest_gap") == (35, 5, 15)
    assert (fact.values["times_applied"], fact.values["checks"]) == (2, 3)
    assert facts(document, "pair", "limb_twice") == [] or not one(document, "pair", "limb_twice").values["disagrees"]


def test_one_site_charted_twice_at_once_disagrees() -> None:
    assert one(small(limbs=[limb(on=0, off=20), limb(on=10, off=30)]), "pair", "limb_twice").values["disagrees"] is True
    assert (
        one(small(limbs=[limb(on=0, off=20), limb(on=20, off=30)]), "pair", "limb_twice").values["disagrees"] is False
    )


# ---------------------------------------------------------------- taken off and put on again


def test_removed_and_applied_again() -> None:
    """The time without a device is no restrained time; each time on has a first check of its own."""
    limbs = [limb(on=0, off=10, off_reason="for_care"), limb(on=25, off=40)]
    fact = left_arm(limbs, [check(3), check(32)])
    assert minutes(fact, "restrained", "first_check", "longest_gap") == (25, 7, 8)
    assert (fact.values["times_applied"], fact.values["checks"]) == (2, 2)


def test_removed_and_applied_again_without_a_second_check() -> None:
    fact = left_arm([limb(on=0, off=10), limb(on=25, off=40)], [check(3)])
    assert minutes(fact, "first_check", "longest_gap") == (3, 15)


def test_one_limb_released_early() -> None:
    limbs = [limb(on=0, off=12), limb("right", on=0, off=40)]
    document = small(
        limbs=limbs,
        handover=40,
        monitoring={"limb_checks": [check(m, side) for m in (5, 11, 25) for side in ("left", "right")]},
    )
    early, kept = one(document, "limb", "left_arm"), one(document, "limb", "right_arm")
    assert early.values["released_early"] is True and early.values["release_reason"] is False
    assert kept.values["released_early"] is False
    assert minutes(early, "restrained", "longest_gap") == (12, 6) and minutes(kept, "restrained", "longest_gap") == (
        40,
        15,
    )
    assert one(document, "episode").values["one_limb_left"] is True
    limbs[0]["off_reason"] = "step_down"
    assert one(small(limbs=limbs, handover=40), "limb", "left_arm").values["release_reason"] is True


def test_all_released_together_at_the_end_leaves_no_single_limb() -> None:
    limbs = [limb(on=0, off=40), limb("right", on=0, off=40)]
    assert one(small(limbs=limbs, handover=40), "episode").values["one_limb_left"] is False
    limbs = [limb(on=0, off=39), limb("right", on=0, off=40)]
    assert one(small(limbs=limbs, handover=40), "episode").values["one_limb_left"] is False
    limbs = [limb(on=0, off=38), limb("right", on=0, off=40)]
    assert one(small(limbs=limbs, handover=40), "episode").values["one_limb_left"] is True


# ---------------------------------------------------------------- police devices


def cuffs(
    site: str | None = "wrists_in_front", on: float | None = -20, off: float | None = None, device: str = "handcuffs"
) -> Document:
    item: Document = {"device": device}
    return (
        item
        | ({"site": site} if site else {})
        | ({"on": clock(on)} if on is not None else {})
        | ({"off": clock(off)} if off is not None else {})
    )


def limbs_of(*devices: Document, **more: Any) -> dict[str, Fact]:
    document = small(custody={"devices": list(devices)}, contact=0, handover=30, **more)
    return {f.key: f for f in facts(document, "limb")}


def test_police_device_makes_limb_spans_from_contact_on() -> None:
    found = limbs_of(cuffs(on=-20, off=12), monitoring={"limb_checks": [check(4), check(4, "right")]})
    assert set(found) == {"left_arm", "right_arm"}
    for fact in found.values():
        assert minutes(fact, "restrained", "first_check", "longest_gap") == (12, 4, 8)
        assert (fact.values["device_on"], fact.values["police"], fact.values["times_applied"]) == (False, True, 0)


@pytest.mark.parametrize(
    ("site", "device", "limbs"),
    [
        ("wrists_behind_back", "handcuffs", {"left_arm", "right_arm"}),
        ("right_wrist_to_stretcher", "handcuffs", {"right_arm"}),
        ("left_wrist_to_stretcher", "flex_cuffs", {"left_arm"}),
        ("ankles", "other", {"left_leg", "right_leg"}),
        (None, "handcuffs", {"left_arm", "right_arm"}),
        (None, "leg_irons", {"left_leg", "right_leg"}),
        (None, "hobble", {"left_leg", "right_leg"}),
    ],
)
def test_limbs_of_a_police_device(site: str | None, device: str, limbs: set[str]) -> None:
    assert set(limbs_of(cuffs(site, device=device))) == limbs


def test_police_device_off_before_contact_is_not_in_this_units_care() -> None:
    assert limbs_of(cuffs(on=-20, off=-5)) == {} and limbs_of(cuffs(on=-20, off=0)) == {}


def test_police_device_put_on_in_this_units_care() -> None:
    assert minutes(limbs_of(cuffs(on=10))["left_arm"], "restrained") == (20,)


def test_police_device_and_then_ours_on_the_same_limb() -> None:
    found = limbs_of(
        cuffs(off=10), application={"limbs": [limb(on=8, off=30)]}, monitoring={"limb_checks": [check(5), check(20)]}
    )
    fact = found["left_arm"]
    assert minutes(fact, "restrained", "first_check", "longest_gap") == (30, 5, 15)
    assert fact.values["device_on"] is True and fact.values["police"] is True


# ---------------------------------------------------------------- arrival, tries


@pytest.mark.parametrize(("minute", "seen"), [(14, False), (15, True), (20, True), (25, True), (26, False)])
def test_check_on_arrival_lies_between_five_minutes_before_and_transfer_of_care(minute: float, seen: bool) -> None:
    document = small(
        limbs=[limb(on=0)], handover=25, transport={"at_patient": clock(-10), "departed": clock(5), "arrived": clock(20)},
        monitoring={"limb_checks": [check(2), check(minute)]},
    )  # fmt: skip
    fact = one(document, "limb").values
    assert (fact["arrival_due"], fact["arrival_check"]) == (True, seen)


def test_no_check_on_arrival_is_due_on_a_limb_that_was_free_then() -> None:
    document = small(
        limbs=[limb(on=0, off=15)], handover=25, transport={"at_patient": clock(-10), "arrived": clock(20)}
    )
    assert one(document, "limb").values["arrival_due"] is False


def test_unsafe_to_attempt_counts_before_control_only() -> None:
    """Control: the last limb secured, here at minute 6."""
    limbs = [limb(on=0, off=40), limb("right", on=6, off=40)]
    fact = left_arm(limbs, [check(3, not_done="unsafe_to_attempt"), check(10)])
    assert fact.values["first_check"] == 180
    fact = left_arm(limbs, [check(7, not_done="unsafe_to_attempt"), check(10)])
    assert fact.values["first_check"] == 600
    fact = left_arm(limbs, [check(6, not_done="unsafe_to_attempt"), check(10)])
    assert fact.values["first_check"] == 600
    fact = left_arm(limbs, [check(7, not_done="patient_refused"), check(10)])
    assert fact.values["first_check"] == 420


@pytest.mark.parametrize("listed", [None, {"absent": "not_collected"}, DECLINED])
def test_no_list_of_checks(listed: Any) -> None:
    document = small(limbs=[limb(on=0, off=40)], handover=40, monitoring={"vitals": [vital(1, hr=80)]})
    if listed is not None:
        document["monitoring"]["limb_checks"] = listed
    fact, state = one(document, "limb"), "missing" if listed is None else listed["absent"]
    assert {
        fact.state(n) for n in ("checks", "first_check", "longest_gap", "longest_gap_so_far", "any_limb_checked")
    } == {state}


def test_an_empty_list_of_checks_leaves_the_limb_unchecked() -> None:
    fact = left_arm([limb(on=0, off=40)], [])
    assert (
        fact.state("checks") == "missing"
        and fact.values["checks_listed"] is True
        and fact.values["any_limb_checked"] is False
    )
