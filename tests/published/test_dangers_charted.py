"""Dangers that stand in a chart: one change of the record of good care, and the rule that has to say so.

Every row was silent in release 0.1.0, or spoke too low. Where the danger is named: domain facts NV-09, NV-10 (limbs),
ASP-02 (labored breathing), KET-02, KET-03 (ketamine), SED-62 (QTc), INT-05 (opioid), NAS-D5 to NAS-D8 (children),
NAS-13, NAS-15 (face, keys), POS-01, POS-05, PER-09.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from service.pipeline import Pipeline
from tests.support.episodes import Document, clock, drop, exemplary, put
from tests.support.reviews import above_info, instances, review

#: A change of the exemplary record: JSON Pointer -> value; ``...`` takes the member out.
Change = dict[str, Any]


def changed(change: Change | Callable[[Document], None]) -> Document:
    document = exemplary()
    if callable(change):
        change(document)
        return document
    for pointer, value in change.items():
        if value is ...:
            drop(document, pointer)
        else:
            put(document, pointer, value)
    return document


def checks(**found: Any) -> Change:
    """The last two checks of the right wrist, at 36 and 45 min, show this."""
    return {f"/monitoring/limb_checks/{i}/{name}": value for i in (9, 13) for name, value in found.items()}


def attempts(reason: str) -> Change:
    """One attempt at each limb at 20 min, and no check."""
    sites = [(site, side) for site in ("wrist", "ankle") for side in ("left", "right")]
    return {
        "/monitoring/limb_checks": [
            {"site": site, "side": side, "time": clock(20), "not_done": reason} for site, side in sites
        ]
    }


def before_the_straps(document: Document) -> None:
    document["monitoring"]["limb_checks"] = [
        {"site": site, "side": side, "time": clock(10), "pulse": "present", "motor": "normal", "sensation": "normal"}
        for site in ("wrist", "ankle")
        for side in ("left", "right")
    ]


def dose(**more: Any) -> Change:
    return {f"/sedation/doses/0/{name}": value for name, value in more.items()}


def child(years: int, kg: float, **more: Any) -> Change:
    return {"/patient/age/value": years, "/patient/weight_kg": kg, **dose(**more)}


def again(document: Document, **more: Any) -> None:
    """One more dose at 29 min."""
    first = document["sedation"]["doses"][0]
    document["sedation"]["doses"].append(first | {"id": "d2", "time": clock(29), "entered": clock(29)} | more)


def at_rass_minus_three(document: Document) -> None:
    put(document, "/monitoring/vitals/4/agitation_score", -3)
    again(document)


def opioid_too(document: Document) -> None:
    again(document, drug="fentanyl", dose=50, unit="ug", route="iv", reason="pain", concentration_mg_ml=...)
    del document["sedation"]["doses"][1]["concentration_mg_ml"]


def first_etco2_late(document: Document) -> None:
    document["monitoring"]["capnography"][0]["start"] = clock(36)
    for vital in document["monitoring"]["vitals"][1:6]:
        del vital["etco2_mmhg"], vital["etco2_waveform"]


def heart_rate_alone(document: Document) -> None:
    """After the sedative every set is a heart rate, and no monitor is charted."""
    vitals = document["monitoring"]["vitals"]
    document["monitoring"]["vitals"] = vitals[:1] + [{"time": v["time"], "hr": v["hr"]} for v in vitals[1:]]


def complication(word: str, minute: float = 30) -> Change:
    return {"/injuries/complications": [{"id": "x1", "complication": word, "time": clock(minute)}]}


def released_to_police(document: Document) -> None:
    document["transport"] = {
        "at_patient": clock(2),
        "transported": False,
        "ended": {"time": clock(48), "how": "released_to_law_enforcement"},
    }
    del document["handover"]


#: What is charted -> (change, rule, severity, a place that has to be named).
CHARTED: dict[str, tuple[Change | Callable[[Document], None], str, str, str]] = {
    # limbs
    "no movement": (checks(motor="absent"), "RR-1420", "critical", "/monitoring/limb_checks/9/motor"),
    "no feeling": (checks(sensation="absent"), "RR-1420", "critical", "/monitoring/limb_checks/9/sensation"),
    "blue skin": (checks(skin="blue"), "RR-1420", "critical", "/monitoring/limb_checks/9/skin"),
    "cold skin": (checks(skin="cold"), "RR-1427", "warning", "/monitoring/limb_checks/9/skin"),
    "weak pulse": (checks(pulse="weak"), "RR-1427", "warning", "/monitoring/limb_checks/9/pulse"),
    "reduced feeling": (checks(sensation="reduced"), "RR-1427", "warning", "/monitoring/limb_checks/9/sensation"),
    "last check without pulse": (
        {"/monitoring/limb_checks/13/pulse": "absent"}, "RR-1311", "critical", "/monitoring/limb_checks/13/pulse",
    ),
    "last check without pulse, told as normal": (
        {"/monitoring/limb_checks/13/pulse": "absent"}, "RR-1429", "critical", "/handover/limb_status",
    ),
    "every check not done: other": (attempts("other"), "RR-1430", "critical", "/monitoring/limb_checks/0/not_done"),
    "every check not done: no access": (
        attempts("no_access"), "RR-1430", "critical", "/monitoring/limb_checks/0/not_done",
    ),
    "every check unsafe": (attempts("unsafe_to_attempt"), "RR-1430", "critical", "/monitoring/limb_checks/0/not_done"),
    "checks before the straps only": (before_the_straps, "RR-1303", "critical", "/monitoring/limb_checks"),
    "an arm tied, a fistula": ({"/patient/conditions": ["fistula"]}, "RR-1432", "warning", "/application/limbs/0"),
    # breathing
    "labored": (
        {"/monitoring/breathing_checks/3/breathing": "laboured"}, "RR-1433", "critical", "/monitoring/breathing_checks/3",
    ),
    "airway partly blocked": (
        {"/monitoring/breathing_checks/4/airway": "partly_blocked"}, "RR-1433", "critical",
        "/monitoring/breathing_checks/4",
    ),
    "shallow": (
        {"/monitoring/breathing_checks/3/breathing": "shallow"}, "RR-1434", "warning", "/monitoring/breathing_checks/3",
    ),
    "waveform abnormal": (
        {"/monitoring/vitals/4/etco2_waveform": "abnormal"}, "RR-1434", "warning",
        "/monitoring/vitals/4/etco2_waveform",
    ),
    "first EtCO2 after 24 min": (first_etco2_late, "RR-1436", "warning", "/monitoring/vitals"),
    "cloth over the face": ({"/custody/face_covers/0/cover": "cloth"}, "RR-1457", "critical", "/custody/face_covers/0"),
    "face down, no end charted": (
        {"/postures": [{"posture": "prone", "start": clock(1), "care": "found_at_contact"}]},
        "RR-1104", "critical", "/postures/0",
    ),
    "weight on the neck, no end charted": (
        {"/application/body_weight": [{"place": "neck", "start": clock(-2), "care": "found_at_contact"}]},
        "RR-1082", "critical", "/application/body_weight/0",
    ),
    # rhythm
    "ventricular tachycardia": (
        {f"/monitoring/vitals/{i}/rhythm": "vt" for i in (4, 5, 6)}, "RR-1437", "critical", "/monitoring/vitals/4/rhythm",
    ),
    "QTc 512 before droperidol": (
        {**dose(drug="droperidol"), "/monitoring/vitals/0/qtc_ms": 512}, "RR-1439", "critical",
        "/monitoring/vitals/0/qtc_ms",
    ),
    "QTc 540 after droperidol": (
        {**dose(drug="droperidol"), "/monitoring/vitals/4/qtc_ms": 540}, "RR-1439", "critical",
        "/monitoring/vitals/4/qtc_ms",
    ),
    "QTc 460 before droperidol": (
        {**dose(drug="droperidol"), "/monitoring/vitals/0/qtc_ms": 460}, "RR-1438", "warning",
        "/monitoring/vitals/0/qtc_ms",
    ),
    # falls
    "pressure from 148 to 96": ({"/monitoring/vitals/4/sbp": 96}, "RR-1447", "warning", "/monitoring/vitals/4/sbp"),
    "EtCO2 from 38 to 27": (
        {"/monitoring/vitals/4/etco2_mmhg": 31, "/monitoring/vitals/3/etco2_mmhg": 42}, "RR-1447", "warning",
        "/monitoring/vitals/4/etco2_mmhg",
    ),
    "SpO2 from 100 to 95": (
        {"/monitoring/vitals/3/spo2": 100, "/monitoring/vitals/4/spo2": 95}, "RR-1447", "warning",
        "/monitoring/vitals/4/spo2",
    ),
    "coma score 7 after a sedative in a head injury": (
        {
            "/decision/causes/3/result": "found", "/monitoring/vitals/7/gcs_total": 7, "/monitoring/vitals/7/gcs_eye": 1,
            "/monitoring/vitals/7/gcs_verbal": 2, "/monitoring/vitals/7/gcs_motor": 4,
        },
        "RR-1448", "critical", "/monitoring/vitals/7/gcs_total",
    ),
    # harm
    "deeper than intended": (dose(effect="deeper_than_intended"), "RR-1238", "warning", "/sedation/doses/0"),
    **{
        f"adverse effect {word}": (dose(adverse_effects=[word]), "RR-1238", "warning", "/sedation/doses/0")
        for word in ("hypoxia", "hypotension", "hypertension", "dysrhythmia")
    },
    "adverse effect cardiac arrest": (
        dose(adverse_effects=["cardiac_arrest"]), "RR-1441", "critical", "/sedation/doses/0/adverse_effects",
    ),
    "complication cardiac arrest": (
        complication("cardiac_arrest"), "RR-1441", "critical", "/injuries/complications/0",
    ),
    **{
        f"complication {word}": (complication(word), "RR-1442", "warning", "/injuries/complications/0")
        for word in ("apnoea", "laryngospasm", "hypoxia", "hypotension", "seizure", "aspiration", "limb_injury")
    },
    # people
    **{
        f"attendants {levels}": ({"/transport/attendants": levels}, "RR-1444", "critical", "/transport/attendants")
        for levels in ([], ["none"], ["emr"])
    },
    "attended by an EMT": ({"/transport/attendants": ["emt"]}, "RR-1445", "warning", "/transport/attendants"),
    "given by an EMT": (dose(given_by="p2"), "RR-1443", "warning", "/sedation/doses/0"),
    "handed to law enforcement": (
        {"/handover/receiver_role": "law_enforcement"}, "RR-1446", "critical", "/handover/receiver_role",
    ),
    "released to law enforcement": (released_to_police, "RR-1446", "critical", "/transport/ended/how"),
    "front cab for the whole journey": (
        {"/monitoring/observation/0/seat": "front_cab"}, "RR-1451", "critical", "/monitoring/observation/0",
    ),
    "a locked hospital device, no key": (
        {
            "/application/limbs/0/device": "key_locked", "/application/limbs/0/fastening": "key_lock",
            "/application/limbs/0/applied_by": "hospital", "/custody/key_at_hand": False,
        },
        "RR-1458", "critical", "/application/limbs/0",
    ),
    # drugs
    "benzodiazepine and opioid": (opioid_too, "RR-1452", "warning", "/sedation/doses/1"),
    "midazolam again at RASS -3": (at_rass_minus_three, "RR-1453", "critical", "/sedation/doses/1"),
    "child, haloperidol 10": (child(7, 24, drug="haloperidol", dose=10), "RR-1455", "critical", "/sedation/doses/0"),
    "child, olanzapine 10": (child(7, 24, drug="olanzapine", dose=10), "RR-1455", "critical", "/sedation/doses/0"),
    "child, ziprasidone 20": (child(7, 24, drug="ziprasidone", dose=20), "RR-1455", "critical", "/sedation/doses/0"),
    "child, haloperidol 4": (child(7, 24, drug="haloperidol", dose=4), "RR-1454", "warning", "/sedation/doses/0"),
    "child, ketamine 2 mg/kg by vein": (
        child(7, 24, drug="ketamine", dose=48, route="iv"), "RR-1455", "critical", "/sedation/doses/0",
    ),
    **{
        f"85 years, {drug} {amount} {route}": (
            {"/patient/age/value": 85, **dose(drug=drug, dose=amount, route=route)}, "RR-1456", "warning",
            "/sedation/doses/0",
        )
        for drug, amount, route in (
            ("lorazepam", 4, "iv"), ("diazepam", 10, "iv"), ("olanzapine", 10, "im"), ("ziprasidone", 20, "im"),
        )
    },
    "heart rate alone after a sedative": (heart_rate_alone, "RR-1216", "warning", "/monitoring/vitals"),
    # posture, ground, charted refusals
    "pregnant, weeks not charted, flat": (
        {
            "/patient/pregnant": True, "/patient/sex": "female", "/patient/gestation_weeks": ...,
            "/postures/1/posture": "supine", "/postures/1/head_elevation_deg": 0,
        },
        "RR-1459", "warning", "/postures/1",
    ),
    "behavior other, without words": (
        {"/decision/behaviours": [{"id": "b1", "behaviour": "other", "time": clock(3)}]}, "RR-1004", "warning",
        "/decision",
    ),
    "guardian not told at 15": (
        {"/patient/age/value": 15, "/patient/guardian_told": False}, "RR-1428", "warning", "/patient/guardian_told",
    ),
    "communication need not met": (
        {"/patient/communication_need": "language", "/patient/communication_need_met": False}, "RR-1435", "warning",
        "/patient/communication_need_met",
    ),
    "not explained": ({"/decision/explained": False}, "RR-1449", "info", "/decision/explained"),
    "direction not contacted": (
        {"/decision/medical_direction": {"contacted": False}}, "RR-1449", "info",
        "/decision/medical_direction/contacted",
    ),
    "plan not told": ({"/team/plan_told": False}, "RR-1449", "info", "/team/plan_told"),
    "no cross-check": ({"/application/cross_check": {"done": False}}, "RR-1449", "info", "/application/cross_check/done"),
    "no weapons search, arrested": ({"/custody/in_custody": True, "/custody/search/done": False}, "RR-1450", "warning", "/custody/search/done"),
    "spray not washed off": (
        {"/custody/irritant": {"used": True, "time": clock(-5), "cleaned": False}}, "RR-1440", "warning",
        "/custody/irritant/cleaned",
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", CHARTED)
def test_the_danger_is_found_where_it_stands(pipeline: Pipeline, name: str) -> None:
    change, rule, severity, pointer = CHARTED[name]
    found = [f for f in instances(review(pipeline, changed(change))) if f["rule"]["id"] == rule]
    assert found, [f["rule"]["id"] for f in instances(review(pipeline, changed(change)))]
    assert {f["severity"] for f in found} == {severity}
    places = [place["pointer"] for f in found for place in f["pointers"]]
    assert any(place == pointer or place.startswith(f"{pointer}/") for place in places), places


#: What is charted and answered, or no harm of this restraint: nothing above info.
ANSWERED: dict[str, Change | Callable[[Document], None]] = {
    "cold skin before the straps, and after": {
        "/custody/devices": [],
        "/monitoring/limb_checks": [
            check | ({"skin": "cold"} if check["side"] == "left" and check["site"] == "wrist" else {})
            for check in [
                {**exemplary()["monitoring"]["limb_checks"][1], "id": "c0", "time": clock(12)},
                *exemplary()["monitoring"]["limb_checks"],
            ]
        ],
    },
    "front cab for one minute, somebody beside the patient": {
        "/monitoring/observation": [
            {"start": clock(11), "end": clock(48), "seat": "at_head", "limbs_in_view": True},
            {"start": clock(30), "end": clock(31), "seat": "beside_in_view", "limbs_in_view": True},
        ]
    },
    "EtCO2 falls to normal": {"/monitoring/vitals/1/etco2_mmhg": 45},
    "SpO2 from 97 to 95": {"/monitoring/vitals/4/spo2": 95},
    "a complication that harms nobody": complication("emergence"),
}


@pytest.mark.parametrize("name", ANSWERED)
def test_what_is_no_danger_stays_silent(pipeline: Pipeline, name: str) -> None:
    assert above_info(pipeline, changed(ANSWERED[name])) == []


def in_cuffs(document: Document, look: float) -> None:
    """Found in handcuffs at 2 min; held from 11 min, cuffs off at 13 min. One look in the meantime."""
    document["custody"]["devices"][0]["off"] = clock(13)
    document["monitoring"]["vitals"][0]["time"] = document["monitoring"]["vitals"][0]["entered"] = clock(look)
    right = document["monitoring"]["limb_checks"][0]
    document["monitoring"]["limb_checks"].append(right | {"id": "c0", "time": clock(look), "entered": clock(look)})


@pytest.mark.parametrize(("look", "rules"), [(4, []), (9, ["RR-1305"])])
def test_one_look_on_taking_over_answers_for_found_cuffs(pipeline: Pipeline, look: float, rules: list[str]) -> None:
    """Their clocks start at contact (Rhode Island 06.06: the duty holds for police restraint too)."""
    document = changed(lambda made: in_cuffs(made, look))
    asked = {line.split()[0] for line in above_info(pipeline, document)} & {"RR-1305", "RR-1339", "RR-1342"}
    assert sorted(asked) == rules


@pytest.mark.parametrize(("second", "critical"), [(32, False), (40, True)])
def test_fluid_that_runs_answers_the_next_low_pressure(pipeline: Pipeline, second: float, critical: bool) -> None:
    document = exemplary()
    vitals = document["monitoring"]["vitals"]
    for minute, pressure, index in ((27, 84, 4), (second, 80, {32: 5, 40: 7}[second])):
        vitals[index] |= {"time": clock(minute), "entered": clock(minute), "sbp": pressure, "dbp": 50}
    document["monitoring"]["actions"].append({"id": "t2", "action": "fluid", "time": clock(28)})
    assert ("RR-1382 critical" in above_info(pipeline, document)) is critical
