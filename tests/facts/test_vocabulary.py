"""Facts and vocabulary hold each other: every attribute is declared with its type, and every declared one can come about."""

from __future__ import annotations

import re
from typing import Any

import pytest

from service.facts.fact import Fact
from service.pipeline import Pipeline
from service.wording.words import word
from tests.support.absences import OPTIONAL_PATHS, left_out, not_collected
from tests.support.episodes import act, check, clock, dose, exemplary, full, limb, sheet, small, vital

TYPES: dict[str, type] = {"int": int, "bool": bool, "enum": str}


def corpus() -> list[dict[str, Any]]:
    """Records in which, together, everything happens."""
    cover = {"cover": "n95", "on": clock(0), "oxygen_l_min": 2}
    chaos = small(
        limbs=[limb(on=0, off=10), limb("right", "ankle", on=20)],
        age=8,
        handover=60,
        application={"body_weight": [{"place": "neck", "start": clock(-20), "end": clock(-5), "care": "found_at_contact"}]},
        postures=[{"posture": "prone", "start": clock(-20), "end": clock(-5)}, {"posture": "supine", "start": clock(5), "head_elevation_deg": 0}],
        stretcher={"belts": [{"place": "chest", "on": clock(1)}]},
        custody={"devices": [{"device": "handcuffs", "site": "wrists_behind_back", "on": clock(-20)}], "face_covers": [cover], "irritant": {"used": True, "time": clock(-15)}},
        sedation={"doses": [dose(2, "ketamine", 4, "mg/kg"), dose(3, "haloperidol", mixed_with=["diphenhydramine"]), dose(9, "haloperidol"), dose(12, "olanzapine", 10), dose(14, "other"), dose(50, "droperidol", given_by="p1")]},
        monitoring={
            "vitals": [
                vital(1, hr=140, rr=30, spo2=98, sbp=120, etco2_mmhg=36, agitation_scale="rass", agitation_score=4, oxygen="air"),
                vital(21, hr=30, rr=6, spo2=70, sbp=60, etco2_mmhg=60, temperature_c=41, glucose_reading="low", gcs_total=6, acvpu="pain", agitation_scale="rass", agitation_score=-5),
                vital(25, etco2_mmhg=20, etco2_waveform="lost", temperature_c=30, oxygen="oxygen"),
                vital(40, hr=90, rr=16, spo2=96, sbp=110, glucose_mg_dl=300, qtc_ms=450),
                vital(49, agitation_scale="rass", agitation_score=-3),
                vital(52, qtc_ms=510),
            ],
            "limb_checks": [check(30, "right", "ankle", pulse="absent", cap_refill_s=4, cap_refill_other_side="longer", motor="absent")],
            "breathing_checks": [{"time": clock(22), "airway": "blocked", "breathing": "absent"}],
            "actions": [act(22, "ventilated"), act(23, "airway_device"), act(31, "loosened", side="right", site="ankle", entered=clock(90))],
            "events": [{"event": "vomiting", "time": clock(21), "end": clock(22)}, {"event": "limb_complaint", "time": clock(25), "side": "right", "site": "ankle"}],
        },
        narrative="Excited delirium. Prone. Cannot breathe. Handcuffed.",
    )  # fmt: skip
    chaos["patient"] |= {"weight_kg": 30, "weight_basis": "stated"}
    last_set = small(
        limbs=[limb(on=0)],
        handover=60,
        monitoring={
            "vitals": [vital(9, hr=80, rr=16, spo2=97, sbp=120, temperature_c=37, acvpu="alert", oxygen="air")]
        },
    )
    return [exemplary(), full(), chaos, last_set]


def unlike(fact: Fact, attributes: Any) -> list[str]:
    """What in a fact the vocabulary does not allow."""
    slips = [f"{fact.kind}.{n}: not declared" for n in (*fact.values, *fact.states) if n not in attributes]
    slips += [f"{fact.kind}.{n}: value and state" for n in fact.values if n in fact.states]
    for name, value in fact.values.items():
        attribute = attributes.get(name)
        if attribute is not None and type(value) is not TYPES[attribute.type]:
            slips.append(f"{fact.kind}.{name}: {type(value).__name__} in place of {attribute.type}")
        elif attribute is not None and attribute.type == "enum" and value not in attribute.values:
            slips.append(f"{fact.kind}.{name}: a word that is not declared")
    slips += [
        f"{fact.kind}.{n}: state {s}"
        for n, s in fact.states.items()
        if s not in ("missing", "not_collected", "declined")
    ]
    return slips


@pytest.mark.parametrize("number", range(4))
def test_every_attribute_is_declared(pipeline: Pipeline, number: int) -> None:
    catalogue = pipeline.rulebook.vocabulary.catalogue
    for fact in sheet(corpus()[number]).facts:
        assert unlike(fact, catalogue[fact.kind]) == []


@pytest.mark.parametrize("take", [left_out, not_collected])
def test_every_attribute_is_declared_whatever_is_left_out(pipeline: Pipeline, take: Any) -> None:
    catalogue = pipeline.rulebook.vocabulary.catalogue
    for path in OPTIONAL_PATHS:
        for fact in sheet(take(path)).facts:
            assert unlike(fact, catalogue[fact.kind]) == [], path


def test_every_declared_kind_comes_about(pipeline: Pipeline) -> None:
    found = {fact.kind for document in corpus() for fact in sheet(document).facts}
    assert found == set(pipeline.rulebook.vocabulary.kinds)
    assert set(sheet(small()).drawn_from) == set(pipeline.rulebook.vocabulary.kinds)


def test_every_declared_attribute_comes_about(pipeline: Pipeline) -> None:
    """As a value: an attribute that no record can set would make every rule that asks for it blind."""
    seen: dict[str, set[str]] = {}
    for document in corpus():
        for fact in sheet(document).facts:
            seen.setdefault(fact.kind, set()).update(fact.values)
            seen.setdefault("shared", set()).update(n for n in fact.values if n.startswith("ep_"))
    never = [
        f"{kind}.{name}"
        for kind, attributes in pipeline.rulebook.vocabulary.catalogue.items()
        for name in attributes
        if name not in seen[kind] | seen["shared"]
    ]
    assert never == []


def test_every_attribute_has_a_value_or_a_state(pipeline: Pipeline) -> None:
    """Every derived attribute of a kind is accounted for in every fact of a full record, by value or by state."""
    for kind, attributes in pipeline.rulebook.vocabulary.catalogue.items():
        shared = {n for n in attributes if n.startswith(("ep_", "at_"))}
        for fact in sheet(exemplary()).facts:
            if fact.kind == kind:
                assert shared <= set(fact.values) | set(fact.states), (kind, fact.key)


def test_events_are_called_what_people_call_them(pipeline: Pipeline) -> None:
    """No member name of the record stands in a message: GCS, SpO2, EtCO2 and pressure are written as on a chart."""
    codes = pipeline.rulebook.vocabulary.kinds["event"].attributes["code"].values
    said = {code: word(code) for code in codes}
    wrong = re.compile(r"\b(gcs|spo2|etco2|sbp|dbp|hr|rr|ecg)\b")
    assert not {code: text for code, text in said.items() if wrong.search(text)}
    assert (said["gcs_fall"], said["gcs_low"], said["etco2_fall"]) == ("fall of GCS", "low GCS", "fall of EtCO2")
