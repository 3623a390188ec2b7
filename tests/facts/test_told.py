"""What the narrative tells, held against the record."""

from __future__ import annotations

from typing import Any

import pytest

from service.facts.fact import Fact
from tests.support.episodes import act, check, clock, dose, facts, limb, one, small, vital


def phrase(key: str, **record: Any) -> Fact:
    return one(small(**record), "phrase", key)


def pairs(name: str, **record: Any) -> list[bool]:
    return [bool(fact.values["disagrees"]) for fact in facts(small(**record), "pair", name)]


def event(word: str) -> dict[str, Any]:
    return {"monitoring": {"events": [{"event": word, "time": clock(5)}]}}


@pytest.mark.parametrize(
    ("text", "key", "record"),
    [
        ("He was placed prone.", "position", {"postures": [{"posture": "prone", "start": clock(1)}]}),
        ("Medic sat on his chest.", "weight", {"application": {"body_weight": [{"place": "chest"}]}}),
        ("He can't breathe.", "breathing", event("breathing_complaint")),
        ("Resps shallow.", "breathing", {"monitoring": {"breathing_checks": [{"breathing": "shallow"}]}}),
        ("He went limp.", "quiet", event("suddenly_quiet")),
        ("He was unresponsive.", "quiet", {"monitoring": {"vitals": [vital(3, acvpu="unresponsive")]}}),
        ("GCS 6", "quiet", {"monitoring": {"vitals": [vital(3, gcs_total=6)]}}),
        (
            "Difficult to arouse.",
            "quiet",
            {"monitoring": {"vitals": [vital(3, agitation_scale="rass", agitation_score=-4)]}},
        ),
        ("CPR started.", "apnoea", event("arrest")),
        ("Bagged for 3 min.", "apnoea", {"monitoring": {"actions": [act(3, "ventilated")]}}),
        ("He had a seizure.", "seizure", event("seizure")),
        ("He vomited.", "vomiting", event("vomiting")),
        ("Handcuffed in front.", "device:restraint", {"custody": {"devices": [{"device": "handcuffs"}]}}),
        ("Zip ties used.", "device:restraint", {"limbs": [limb(device="plastic_tie")]}),
        ("Spit hood on.", "device:face_cover", {"custody": {"face_covers": [{"cover": "spit_sock"}]}}),
        ("He was left alone.", "left_alone", event("left_unattended")),
        ("Hand was blue.", "limb_abnormal", {"monitoring": {"limb_checks": [check(2, skin="blue")]}}),
        ("Hand was numb.", "limb_abnormal", event("limb_complaint")),
        ("Ketamine 300 mg IM.", "drug:ketamine", {"sedation": {"doses": [dose(2, "ketamine", 300)]}}),
        ("Ketamine 300 mg IM.", "drug:ketamine", {"sedation": {"not_given": [{"drug": "ketamine"}]}}),
        ("EMT was bitten.", "injury_crew", {"injuries": {"crew": [{"kind": "bite"}]}}),
        ("He hit his head.", "injury_patient", {"injuries": {"patient": [{"kind": "head_injury"}]}}),
        ("Right arm released.", "release", {"limbs": [limb(off=9)]}),
        ("Leathers x4.", "device:leather", {"limbs": [limb(device="padded_leather")]}),
        ("Leathers x4.", "device:leather", {"limbs": [limb(device="key_locked")]}),
        ("CPR started.", "apnoea", {"injuries": {"complications": [{"complication": "cardiac_arrest"}]}}),
        ("He had a seizure.", "seizure", {"injuries": {"complications": [{"complication": "seizure"}]}}),
        ("He vomited.", "vomiting", {"injuries": {"complications": [{"complication": "aspiration"}]}}),
        ("Stridor heard.", "breathing", {"injuries": {"complications": [{"complication": "laryngospasm"}]}}),
        ("He hit his head.", "injury_patient", event("fall")),
    ],
)
def test_told_and_charted_is_clear_and_without_the_entry_it_is_not(text: str, key: str, record: dict[str, Any]) -> None:
    assert phrase(key, narrative=text, **record).values["in_record"] is True
    alone = phrase(key, narrative=text)
    assert alone.values["in_record"] is False
    assert alone.values["affirmed"] == 1


def test_leather_is_not_told_by_a_soft_restraint_and_cuffs_not_by_leather() -> None:
    assert phrase("device:leather", narrative="Leathers x4.", limbs=[limb(device="soft")]).values["in_record"] is False
    padded = [limb(device="padded_leather")]
    assert phrase("device:restraint", narrative="Zip ties used.", limbs=padded).values["in_record"] is False


def test_complications_that_the_source_does_not_have_make_nothing_unknown() -> None:
    document = small(narrative="He had a seizure.", not_collected=["/injuries/complications"], injuries={"patient": []})
    assert one(document, "phrase", "seizure").values["in_record"] is False


def test_snoring_found_after_a_seizure_is_told_by_airway_care() -> None:
    text = "On arrival pt on his right side, snoring."
    seizure = {"event": "seizure", "before_care": True}
    oxygen = act(1, "oxygen_given")
    for narrative, monitoring, told in (
        (text, {"events": [seizure], "actions": [oxygen]}, True),
        (text, {"events": [seizure]}, False),
        (text, {"actions": [oxygen]}, False),
        ("Snoring after the dose.", {"events": [seizure], "actions": [oxygen]}, False),
        (f"{text} Stridor after the dose.", {"events": [seizure], "actions": [oxygen]}, False),
    ):
        assert phrase("breathing", narrative=narrative, monitoring=monitoring).values["in_record"] is told


def test_a_list_that_the_source_does_not_have_leaves_it_open() -> None:
    document = small(narrative="He vomited.", not_collected=["/monitoring/events"], monitoring={"vitals": []})
    fact = one(document, "phrase", "vomiting")
    assert fact.state("in_record") == "not_collected"


def test_a_denial_is_counted_and_not_affirmed() -> None:
    fact = phrase("position", narrative="Never prone. Not face down.")
    assert (fact.values["affirmed"], len(fact.pointers)) == (0, 2)


def test_all_places_of_one_thing_are_one_fact_and_two_drugs_are_two() -> None:
    found = facts(small(narrative="Ketamine given. Versed given. More ketamine given."), "phrase")
    assert {fact.key: len(fact.pointers) for fact in found} == {"drug:ketamine": 2, "drug:midazolam": 1}


def test_a_place_is_the_narrative_with_its_characters() -> None:
    fact = phrase("quiet", narrative="İ he went limp")
    assert fact.pointers[0].pointer == "/narrative"
    assert fact.pointers[0].chars == (5, 14)


def test_what_police_did_before_contact_is_not_affirmed() -> None:
    fact = phrase("weight", narrative="On arrival officer was kneeling on his back.")
    assert fact.values["affirmed"] == 0


def test_a_key_matters_only_where_something_is_locked() -> None:
    text = "Officer followed behind in the squad car."
    assert phrase("key", narrative=text).state("in_record") == "missing"
    cuffs = {"custody": {"devices": [{"device": "handcuffs"}]}}
    assert phrase("key", narrative=text, **cuffs).values["in_record"] is False
    cuffs["custody"]["officer"] = "following"  # type: ignore[assignment]
    assert phrase("key", narrative=text, **cuffs).values["in_record"] is True


# ------------------------------------------------------------ doses and vital signs

GIVEN = {"sedation": {"doses": [dose(2, "midazolam", 5), dose(9, "midazolam", 2.5)]}}


@pytest.mark.parametrize(
    ("text", "disagrees"),
    [
        ("Midazolam 5 mg IM.", False),
        ("Midazolam 2.5 mg IM.", False),
        ("Versed 7.5 mg in all.", False),
        ("Midazolam 10 mg IM.", True),
        ("Midazolam 5 mg IV.", True),
        ("5000 mcg of midazolam", False),
    ],
)
def test_a_told_dose_is_one_charted_or_a_sum_of_them(text: str, disagrees: bool) -> None:
    assert pairs("dose_and_narrative", narrative=text, **GIVEN) == [disagrees]


@pytest.mark.parametrize(
    "text", ["Midazolam 0.1 mg/kg IM.", "Midazolam 1 mL IM.", "Midazolam given.", "Ketamine 300 mg."]
)
def test_a_dose_that_does_not_say_enough_is_not_compared(text: str) -> None:
    assert pairs("dose_and_narrative", narrative=text, **GIVEN) == []


def test_a_drug_denied_and_charted() -> None:
    assert pairs("drug_denied", narrative="No sedation given.", **GIVEN) == [True]
    assert pairs("drug_denied", narrative="Midazolam was not given.", **GIVEN) == [True]
    assert pairs("drug_denied", narrative="Ketamine was not given.", **GIVEN) == [False]
    assert pairs("drug_denied", narrative="No sedation given before we arrived.", **GIVEN) == []
    assert pairs("drug_denied", narrative="Versed not given at first. Versed 5 mg given later.", **GIVEN) == []


def test_a_vital_sign_is_held_against_the_sets_around_its_time() -> None:
    sets = {"monitoring": {"vitals": [vital(10, spo2=97, hr=88)]}}
    assert pairs("vital_and_narrative", narrative="SpO2 97 at 18:10.", **sets) == [False]
    assert pairs("vital_and_narrative", narrative="SpO2 81 at 18:12.", **sets) == [True]
    assert pairs("vital_and_narrative", narrative="SpO2 81.", **sets) == []
    assert phrase("vital:spo2", narrative="SpO2 81 at 18:40.", **sets).values["in_record"] is False
    assert phrase("vital:spo2", narrative="SpO2 81 at 18:15.", **sets).values["in_record"] is True
    assert facts(small(narrative="SpO2 81.", **sets), "phrase") == []


def test_a_set_over_midnight() -> None:
    night = {"time": "2031-04-12T23:58:00-06:00", "spo2": 97}
    assert pairs("vital_and_narrative", narrative="SpO2 97 at 00:01.", monitoring={"vitals": [night]}) == [False]


# ------------------------------------------------------------ other contradictions


def test_face_down_denied_and_charted_in_this_units_care() -> None:
    prone = {"posture": "prone", "start": clock(1)}
    text = "Patient was never prone."
    assert pairs("position_denied", narrative=text, postures=[prone]) == [True]
    assert pairs("position_denied", narrative=text, postures=[prone | {"care": "found_at_contact"}]) == [False]
    assert pairs("position_denied", narrative=text) == []
    assert pairs("position_denied", narrative=f"Placed prone. {text}", postures=[prone]) == []


def test_left_alone_and_watched() -> None:
    watched = {"observation": [{"start": clock(0), "end": clock(30), "seat": "at_head"}]}
    text = "Patient was left alone."
    assert pairs("left_alone_and_observation", narrative=text, monitoring=watched) == [True]
    with_event = watched | event("left_unattended")["monitoring"]
    assert pairs("left_alone_and_observation", narrative=text, monitoring=with_event) == [False]
    assert pairs("left_alone_and_observation", narrative=text) == []


def test_limb_checks_denied_and_charted() -> None:
    text = "CMS was not checked."
    assert pairs("not_checked_and_limb_checks", narrative=text, monitoring={"limb_checks": [check(3)]}) == [True]
    left = {"side": "left", "site": "wrist", "time": clock(3), "not_done": "unsafe_to_attempt"}
    assert pairs("not_checked_and_limb_checks", narrative=text, monitoring={"limb_checks": [check(3), left]}) == [False]
    assert pairs("not_checked_and_limb_checks", narrative=text) == []


@pytest.mark.parametrize(
    ("text", "charted", "disagrees"),
    [
        ("He has capacity.", "absent", [True]),
        ("He has capacity.", "present", [False]),
        ("He lacks capacity.", "present", [True]),
        ("He lacks capacity.", "unclear", []),
        ("A&Ox4.", "absent", []),
        ("He has capacity. Later he lacked capacity.", "absent", []),
    ],
)
def test_capacity_is_never_worked_out_from_orientation(text: str, charted: str, disagrees: list[bool]) -> None:
    assert pairs("capacity_and_narrative", narrative=text, decision={"capacity": charted}) == disagrees


def test_capacity_for_a_refusal_says_nothing_of_the_restraint_before_it() -> None:
    record = {"narrative": "He understood the risks and refused.", "decision": {"capacity": "absent"}}
    ended = {"ended": {"time": clock(30), "how": "refused"}}
    assert pairs("capacity_and_narrative", **record) == [True]
    assert pairs("capacity_and_narrative", **record, transport=ended) == []


def test_not_told_and_told() -> None:
    document = small(narrative="Did not tell the nurse about the second dose.")
    assert facts(document, "pair", "not_told_and_told") == []
    for told, disagrees in ((["restraint"], True), ([], False)):
        document["handover"] = {"told": told}
        assert one(document, "pair", "not_told_and_told").values["disagrees"] is disagrees


def test_an_injury_denied_and_charted() -> None:
    hurt = {"kind": "bruise", "when": "during_restraint"}
    assert pairs("injury_denied", narrative="No injuries.", injuries={"patient": [hurt]}) == [True]
    before = hurt | {"when": "before_contact"}
    assert pairs("injury_denied", narrative="No injuries.", injuries={"patient": [before]}) == [False]


def test_a_contradiction_shows_both_places() -> None:
    fact = one(small(narrative="Midazolam 10 mg IM.", **GIVEN), "pair", "dose_and_narrative")
    assert [place.pointer for place in fact.pointers] == [
        "/narrative",
        "/sedation/doses/0/dose",
        "/sedation/doses/1/dose",
    ]


def test_nothing_told_is_no_fact() -> None:
    assert facts(small(narrative="Transported without trouble."), "phrase") == []
    assert facts(small(), "phrase") == []
