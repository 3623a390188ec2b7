"""Findings that were false or harmful: one test each, and the true case beside it."""

from __future__ import annotations

from typing import Any

import pytest

from tests.support.episodes import Document, act, check, clock, dose, drop, encoded, exemplary, limb, put, small, vital
from tests.support.pipeline import pipeline


def outcome(document: Document, rule: str) -> str:
    """What a rule says of a record."""
    return pipeline().review(encoded(document), "application/json", "default").outcomes[rule]


def finding(document: Document, rule: str) -> Document:
    """The finding of a rule."""
    review = pipeline().review(encoded(document), "application/json", "default").document
    return next(f for f in review["findings"] if f["rule"]["id"] == rule)


def monitored(*vitals: Document, limbs: Any = None, **more: Any) -> Document:
    """A small record with straps from minute 0, and what was measured."""
    monitoring = {"vitals": list(vitals), "actions": [], "limb_checks": [], "breathing_checks": []} | more
    return small(limbs=limbs if limbs is not None else [limb(on=0)], handover=60, monitoring=monitoring)


# ---------------------------------------------------------------- deep sedation, low coma score


@pytest.mark.parametrize(
    ("signs", "rule"),
    [({"gcs_total": 7}, "RR-1355"), ({"agitation_scale": "rass", "agitation_score": -5}, "RR-1354")],
)
def test_a_sender_without_breathing_checks_is_not_accused(signs: Document, rule: str) -> None:
    document = monitored(vital(10, etco2_mmhg=38, **signs))
    assert outcome(document, rule) == "finding"
    document["monitoring"]["breathing_checks"] = {"absent": "not_collected"}
    assert outcome(document, rule) == "not_assessable"
    drop(document, "/monitoring/vitals/0/etco2_mmhg")
    assert outcome(document, rule) == "finding"  # EtCO2 was charted nowhere near it


# ---------------------------------------------------------------- therapies that go on


def test_oxygen_that_runs_is_a_response_to_a_low_value_that_recovers() -> None:
    low = vital(10, spo2=86, oxygen="oxygen", oxygen_l_min=15)
    assert outcome(monitored(low, vital(14, spo2=97, oxygen="oxygen", oxygen_l_min=15)), "RR-1360") != "finding"
    assert outcome(monitored(low, vital(14, spo2=84, oxygen="oxygen", oxygen_l_min=15)), "RR-1360") == "finding"


def test_breaths_given_by_hand_are_no_slow_breathing() -> None:
    slow = [vital(m, rr=8) for m in (10, 16, 22, 28)]
    assert outcome(monitored(*slow, actions=[act(11, "ventilated")]), "RR-1367") != "finding"
    assert outcome(monitored(*slow, actions=[]), "RR-1367") == "finding"
    under = [vital(m, rr=10) for m in (10, 14, 18, 22)]
    assert outcome(monitored(*under, actions=[act(11, "ventilated")]), "RR-1371") != "finding"
    assert outcome(monitored(*under, actions=[]), "RR-1371") == "finding"


def test_an_arrest_found_under_compressions_is_answered_and_no_slow_pulse() -> None:
    pulseless = vital(16, hr=0)
    assert outcome(monitored(pulseless, actions=[act(13, "cpr")]), "RR-1410") != "finding"
    assert outcome(monitored(pulseless, actions=[]), "RR-1410") == "finding"
    assert outcome(monitored(pulseless, actions=[]), "RR-1387") != "finding"


def test_a_low_etco2_under_compressions_is_none() -> None:
    sets = [vital(10, etco2_mmhg=38), vital(20, hr=0, rhythm="pea"), vital(24, etco2_mmhg=12, rhythm="pea")]
    arrest = {"events": [{"event": "arrest", "time": clock(20)}]}
    assert outcome(monitored(*sets, actions=[act(20, "cpr")], **arrest), "RR-1379") != "finding"
    assert outcome(monitored(*sets, actions=[], **arrest), "RR-1379") == "finding"


def test_sets_of_a_resuscitation_are_vital_signs() -> None:
    resuscitated = [vital(m, etco2_mmhg=14, rhythm="pea") for m in range(12, 61, 4)]
    document = monitored(vital(4, hr=90, rr=16), vital(8, hr=88, rr=14), *resuscitated)
    document["sedation"] = {"doses": [dose(3)]}
    assert outcome(document, "RR-1324") == "clear"
    document["monitoring"]["vitals"] = document["monitoring"]["vitals"][:3]
    assert outcome(document, "RR-1324") == "finding"


def test_nobody_looks_at_limbs_during_resuscitation() -> None:
    document = monitored(
        vital(20, hr=0, rhythm="pea"),
        limb_checks=[check(3), check(14)],
        events=[{"event": "arrest", "time": clock(20)}],
        actions=[act(20, "cpr")],
    )
    assert outcome(document, "RR-1307") == "clear"
    document["monitoring"]["actions"] = []
    assert outcome(document, "RR-1307") == "finding"


def test_one_arrest_is_one_row() -> None:
    document = monitored(
        vital(20, hr=0, rhythm="pea"),
        events=[{"event": "arrest", "time": clock(20)}, {"event": "apnoea", "time": clock(20)}],
        actions=[],
    )
    document["sedation"] = {"doses": [dose(3, adverse_effects=["cardiac_arrest"])]}
    review = pipeline().review(encoded(document), "application/json", "default").document
    arrest = {"RR-1238", "RR-1349", "RR-1352", "RR-1410"}
    shown = [f["rule"]["id"] for f in review["findings"] if f["rule"]["id"] in arrest]
    assert shown == ["RR-1410"]
    assert {c["rule"] for c in review["covered"]} >= {"RR-1238", "RR-1349", "RR-1352"}


def test_agonal_breathing_is_told_as_such() -> None:
    document = monitored(breathing_checks=[{"time": clock(10), "breathing": "agonal"}])
    assert "agonal" in finding(document, "RR-1349")["message"]


# ---------------------------------------------------------------- limbs


def test_a_limb_secured_again_at_once_leaves_no_single_limb() -> None:
    both = [limb(on=0, off=10), limb("right", on=0, off=40), limb(on=10.5, off=40)]
    assert outcome(monitored(limbs=both), "RR-1070") == "clear"
    assert outcome(monitored(limbs=[*both[:2], limb(on=13, off=40)]), "RR-1070") == "finding"


def test_straps_before_contact_do_not_contradict_their_completion() -> None:
    document = monitored(limbs=[limb(on=-30, applied_by="ems")])
    document["application"]["completed"] = clock(-30)
    assert outcome(document, "RR-1191") == "clear"
    document["application"]["completed"] = clock(-10)
    assert outcome(document, "RR-1191") == "finding"


def test_no_check_at_all_is_never_told_as_a_first_check() -> None:
    """Put on again at 25 and taken off at 55 without a look: a gap of 30 min, and no first check of that length."""
    document = monitored(limbs=[limb(on=0, off=10), limb(on=25, off=55)], limb_checks=[check(3), check(9)])
    assert outcome(document, "RR-1305") == "clear"
    assert "30 min" in finding(document, "RR-1307")["message"]


def test_a_device_with_a_key_is_this_units_unless_others_put_it_on() -> None:
    locked = limb(on=0, device="key_locked")
    del locked["applied_by"]
    assert outcome(monitored(limbs=[locked]), "RR-1061") == "finding"
    assert outcome(monitored(limbs=[locked | {"applied_by": "hospital"}]), "RR-1061") == "not_applicable"


# ---------------------------------------------------------------- police


@pytest.mark.parametrize(("rule", "member"), [("RR-1118", "officer"), ("RR-1119", "key_at_hand")])
def test_cuffs_that_came_off_before_departure_need_no_officer(rule: str, member: str) -> None:
    document = exemplary()  # cuffs off at 18:04, departure at 18:24
    drop(document, f"/custody/{member}")
    document["custody"].pop("officer_spans", None)
    assert outcome(document, rule) == "not_applicable"
    drop(document, "/custody/devices/0/off")
    assert outcome(document, rule) == "finding"


@pytest.mark.parametrize(("site", "behind"), [("wrists_in_front", True), ("wrists_behind_back", False)])
def test_cuffs_and_posture_are_held_against_each_other_both_ways(site: str, behind: bool) -> None:
    document = monitored()
    document["custody"] = {"devices": [{"device": "handcuffs", "site": site, "on": clock(-20), "off": clock(30)}]}
    document["postures"] = [{"posture": "seated", "start": clock(5), "arms_behind_back": behind}]
    assert outcome(document, "RR-1192") == "finding"
    document["postures"][0]["arms_behind_back"] = not behind
    assert outcome(document, "RR-1192") == "clear"


# ---------------------------------------------------------------- transfer of care


def test_straps_with_their_own_time_off_answer_for_the_time_at_transfer() -> None:
    document = exemplary()
    drop(document, "/handover/removed_time")
    assert outcome(document, "RR-1145") == "clear"
    drop(document, "/application/limbs/0/off")
    assert outcome(document, "RR-1145") == "finding"


@pytest.mark.parametrize(
    ("pointer", "said", "asks", "tells"),
    [
        ("/transport/facility_told", False, "RR-1152", "RR-1422"),
        ("/handover/limb_status", "not_told", "RR-1141", "RR-1421"),
        ("/handover/receiver_identified", False, "RR-1142", "RR-1423"),
    ],
)
def test_a_charted_no_is_not_asked_again(pointer: str, said: Any, asks: str, tells: str) -> None:
    document = exemplary()
    put(document, pointer, said)
    assert outcome(document, asks) == "clear"
    assert finding(document, tells)["handled_by"] == "reviewer"


# ---------------------------------------------------------------- drugs, sugar, heat


def test_ketamine_for_a_child_with_no_word_on_medical_direction_is_found() -> None:
    document = exemplary()
    document["patient"]["age"]["value"] = 9
    document["sedation"]["doses"][0] |= {"drug": "ketamine", "dose": 60, "ordered_by": "protocol"}
    drop(document, "/decision/medical_direction")
    assert outcome(document, "RR-1220") == "finding"


def test_sugar_is_read_again_by_the_clock_of_its_treatment() -> None:
    low = [vital(10, glucose_mg_dl=48)]
    given = [act(11, "glucagon")]
    assert outcome(monitored(*low, vital(22, glucose_mg_dl=96), actions=given), "RR-1396") == "not_applicable"
    assert outcome(monitored(*low, vital(29, glucose_mg_dl=96), actions=given), "RR-1396") == "finding"


def test_cooling_may_wait_until_the_patient_is_secured() -> None:
    hot = [vital(1, temperature_c=40.6), vital(30, temperature_c=39)]
    secured = [limb(on=9)]
    assert outcome(monitored(*hot, limbs=secured, actions=[act(11, "cooling")]), "RR-1391") == "clear"
    assert outcome(monitored(*hot, limbs=secured, actions=[act(26, "cooling")]), "RR-1391") == "finding"
    rising = [vital(1, temperature_c=40.2), vital(20, temperature_c=40.9)]
    assert outcome(monitored(*rising, limbs=secured, actions=[act(3, "cooling")]), "RR-1391") == "finding"


def test_a_fever_with_an_infection_is_not_cooled() -> None:
    document = monitored(vital(10, temperature_c=38.9))
    assert outcome(document, "RR-1392") == "finding"
    document["patient"]["conditions"] = ["infection"]
    assert outcome(document, "RR-1392") == "not_applicable"


def test_breathing_that_was_measured_was_looked_at() -> None:
    document = monitored(vital(10, rr=14, etco2_mmhg=38), breathing_checks=[])
    document["sedation"] = {"doses": [dose(5)]}
    assert outcome(document, "RR-1337") == "clear"
    drop(document, "/monitoring/vitals/0/etco2_mmhg")
    assert outcome(document, "RR-1337") == "finding"


def test_an_answer_in_the_same_minute_is_no_second_look() -> None:
    """The reading itself cannot be the look that follows it."""
    document = monitored(vital(10, spo2=84), actions=[act(10, "oxygen_given")])
    assert outcome(document, "RR-1395") == "finding"
    assert outcome(document, "RR-1365") != "finding"
    document["monitoring"]["vitals"].append(vital(12, spo2=95))
    assert outcome(document, "RR-1395") != "finding"


# ---------------------------------------------------------------- what does not matter


def test_no_sedation_is_an_answer() -> None:
    document = monitored() | {"sedation": {"none": True}}
    assert outcome(document, "RR-1202") != "finding"
    assert outcome(document | {"sedation": {}}, "RR-1202") == "finding"


def test_a_chart_that_is_not_closed_yet_is_not_asked_when_it_was() -> None:
    """Reviews are asked for before closing."""
    document = exemplary()
    drop(document, "/chart/closed")
    review = pipeline().review(encoded(document), "application/json", "default").document
    assert review["findings"] == []


def test_probes_without_an_energy_weapon_do_not_apply() -> None:
    document = monitored()
    document["custody"] = {"law_enforcement_present": True}
    assert outcome(document, "RR-1127") == "not_applicable"


def test_without_a_transfer_nothing_about_it_stays_open() -> None:
    document = monitored(vital(10, hr=90, rr=16), limbs=[limb(on=0, off=20)], limb_checks=[check(4), check(15)])
    del document["handover"]
    document["transport"] |= {"transported": False}
    review = pipeline().review(encoded(document), "application/json", "default")
    about = [f"RR-{n}" for n in (1137, *range(1139, 1152), 1308, 1326, 1403, 1404)]
    assert {review.outcomes[rule] for rule in about} == {"not_applicable"}
    assert review.outcomes["RR-1307"] == "clear"  # every strap has its end, so no gap stays open


def test_a_strap_with_a_blank_anchor_is_no_danger() -> None:
    document = monitored()
    review = pipeline().review(encoded(document), "application/json", "default").document
    assert [u["rule"]["id"] for u in review["unjudged"]] == []
    assert review["tell_now"] == [] or all(t["finding"] for t in review["tell_now"])


# ---------------------------------------------------------------- words of the narrative


@pytest.mark.parametrize(
    ("sentence", "rule", "true"),
    [
        ("Dispatched at the request of law enforcement.", "RR-1167", "Sedated at the request of law enforcement."),
        ("Staged for law enforcement.", "RR-1167", "He was sedated for law enforcement."),
        ('He called the medic an "SOB".', "RR-1184", "He complains of SOB."),
        ("SOB at baseline.", "RR-1184", "SOB when held."),
        ("Direct pressure on the neck wound.", "RR-1169", "An officer put pressure on his neck."),
        ("Found prone by PD PTA.", "RR-1183", "He was kept prone on the cot."),
    ],
)
def test_phrases_that_only_sound_like_a_danger(sentence: str, rule: str, true: str) -> None:
    document = exemplary()
    document["narrative"] = sentence
    assert outcome(document, rule) != "finding"
    document["narrative"] = true
    assert outcome(document, rule) == "finding"


def test_a_word_that_is_no_diagnosis_is_not_called_one() -> None:
    document = exemplary()
    document["narrative"] = "He had superhuman strength."
    assert "or its old signs" in finding(document, "RR-1165")["message"]


def test_checks_that_are_charted_are_not_called_none_where_the_transfer_stands_an_hour_early() -> None:
    document = exemplary()
    put(document, "/handover/time", "2031-04-12T17:48:00-06:00")
    assert outcome(document, "RR-1303") == "not_assessable"
    assert outcome(document, "RR-1485") == "finding"
    document["monitoring"]["limb_checks"] = []
    assert outcome(document, "RR-1303") == "finding"


def test_sets_that_are_charted_are_not_called_none_where_the_arrival_stands_an_hour_late() -> None:
    document = exemplary()
    put(document, "/transport/at_patient", "2031-04-12T19:02:00-06:00")
    assert outcome(document, "RR-1320") == "not_assessable"
    document["monitoring"]["vitals"] = []
    assert outcome(document, "RR-1320") == "finding"


def test_no_set_is_asked_for_before_a_transfer_that_stands_before_contact() -> None:
    document = exemplary()
    put(document, "/handover/time", "2031-04-12T17:48:00-06:00")
    assert outcome(document, "RR-1572") == "not_assessable"
