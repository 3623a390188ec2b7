"""Realistic episodes of a given size for measuring: ``python -m tests.benchmark.episodes`` writes them.

A timed item is an item of a list that has a time of its own (``time``,
``start`` or ``on``). The same size and seed give the same bytes. A few things
go wrong on purpose (a low saturation that is answered, one long gap), so that
a review has something to say.
"""

from __future__ import annotations

import copy
import json
import random
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from service.episode import declaration
from tests.support.episodes import Document
from tests.support.mutate import places

HERE = Path(__file__).parent
SIZES = (60, 300)
SEED = 11
#: What a crew writes, 1,000 characters: dangers told, denied, earlier and of others; doses and vital signs.
NARRATIVE = (
    "On arrival found prone on the sidewalk, handcuffed behind the back by police. Turned to left side at once. "
    "Pt combative, kicking and spitting at crew. Verbal de-escalation tried without success. Four-point soft "
    "restraints applied to both wrists and ankles to the stretcher. Midazolam 5 mg IM given at 14:12 for "
    "agitation. Pt denies chest pain and denies shortness of breath. SpO2 97% at 14:20, HR 112, BP 140/84, RR 18."
    " No injury to crew noted. Cuffs were loosened at the left wrist once because the skin was pale, pulse "
    "present afterwards. Pt had history of asthma and used an inhaler earlier today. Became suddenly quiet at "
    "14:31, still breathing, roused to voice, oxygen given by mask. No vomiting, no seizure. Never left alone, "
    "attendant at the head of the stretcher the whole way. Distal pulse, motor and sensation checked every ten "
    "minutes. Officer rode along with the key. Report given to the receiving nurse including restraint, sedation "
    "and vital signs. Patient lacks capacity to refuse now."
)
_START = datetime.fromisoformat("2031-08-14T10:00:00-06:00")
_LIMBS = (("wrist", "right"), ("wrist", "left"), ("ankle", "left"), ("ankle", "right"))
_OWN_TIME = ("time", "start", "on")


def timed_items(document: Document) -> int:
    """How many list items have a time of their own."""
    return sum(
        any(isinstance(item.get(name), str) for name in _OWN_TIME)
        for place in places(document)
        if isinstance(place.member.kind, declaration.Items) and isinstance(place.value, list)
        for item in place.value
    )


def at(minute: int) -> str:
    """So many minutes after contact."""
    return (_START + timedelta(minutes=minute)).isoformat()


def _vitals(rng: random.Random, number: int, minute: int) -> Document:
    calm = min(1.0, minute / 40)
    low = number == 6
    return {
        "id": f"v{number}",
        "time": at(minute),
        "hr": round(128 - 38 * calm) + rng.randint(-3, 3),
        "rr": round(24 - 8 * calm) + rng.randint(-1, 1),
        "spo2": 88 if low else rng.randint(95, 98),
        "etco2_mmhg": rng.randint(35, 41),
        "etco2_waveform": "present",
        "sbp": round(150 - 22 * calm) + rng.randint(-4, 4),
        "dbp": round(92 - 12 * calm) + rng.randint(-3, 3),
        "temperature_c": round(37.6 - 0.4 * calm, 1),
        **({"glucose_mg_dl": 104} if number in (1, 5) else {}),
        "gcs_eye": 4,
        "gcs_verbal": 4,
        "gcs_motor": 6,
        "gcs_total": 14,
        "acvpu": "confused" if minute < 20 else "alert",
        "agitation_scale": "rass",
        "agitation_score": 3 if minute < 8 else 1 if minute < 15 else -1,
        "rhythm": "sinus_tachycardia" if minute < 20 else "sinus",
        "oxygen": "air" if number < 7 else "oxygen",
    }


def _checks(number: int, minute: int) -> list[Document]:
    return [
        {
            "id": f"c{number + index}",
            "site": site,
            "side": side,
            "time": at(minute),
            "pulse": "present",
            "cap_refill_s": 1.5,
            "motor": "normal",
            "sensation": "normal",
            "skin": "normal",
            "by": "p1",
        }
        for index, (site, side) in enumerate(_LIMBS)
    ]


def _skeleton(seed: int) -> Document:
    """The parts that every size has."""
    holds = [
        {"id": f"h{n}", "part": part, "start": at(5), "end": at(10), "by": f"p{n}"}
        for n, part in enumerate(("head", "right_arm", "left_arm", "left_leg", "right_leg"), 1)
    ]
    limbs = [
        {
            "id": f"l{n}",
            "site": site,
            "side": side,
            "device": "soft_hook_and_loop",
            "applied_by": "ems",
            "on": at(6 + n),
            "anchor": "stretcher_frame",
            "fastening": "buckle",
            "limb_position": place,
            "joint_range": "normal",
            "movement": "fingers_or_toes_only",
            "fit": "one_finger",
            "padded": True,
            "checked_by": "p6",
        }
        for n, ((site, side), place) in enumerate(
            zip(_LIMBS, ("raised_beside_head", "along_side", "straight", "straight"), strict=True), 1
        )
    ]
    people = [
        ("ems", "paramedic", ["lead", "head", "sedation"]),
        ("ems", "emt", ["right_arm"]),
        ("fire", "emt", ["left_arm"]),
        ("fire", "emt", ["left_leg"]),
        ("fire", "emt", ["right_leg"]),
        ("fire", "emt", ["straps"]),
    ]
    return {
        "episode_ref": f"benchmark-{seed}",
        "patient": {"age": {"value": 44, "unit": "a"}, "sex": "male", "weight_kg": 84, "weight_basis": "stated", "conditions": [], "allergies": [], "substances": [{"id": "s1", "substance": "stimulant", "basis": "stated"}], "communication_need": "none"},
        "decision": {
            "time": at(4), "behaviours": [{"id": "b1", "behaviour": "struck_out", "time": at(1), "words": "Struck at the crew with both fists."}, {"id": "b2", "behaviour": "threatened", "time": at(2), "words": "Said that he would come for the driver."}],
            "danger_to": ["crew", "self"], "reasons": ["protect_others"], "capacity": "absent", "capacity_basis": ["intoxicated"], "consent": "refused", "explained": True,
            "alternatives": [{"id": "a1", "measure": "verbal_deescalation", "time": at(1), "result": "failed"}, {"id": "a2", "measure": "offered_medicine", "time": at(3), "result": "failed"}],
            "causes": [{"id": "k1", "cause": "hypoglycaemia", "result": "not_found", "evidence": "measured"}, {"id": "k2", "cause": "substances", "result": "found", "evidence": "history"}],
            "authority": "emergency_exception", "authority_confirmed_by": "crew_lead", "medical_direction": {"contacted": True, "time": at(5), "outcome": "agreed"},
        },
        "team": {"members": [{"id": f"p{n}", "service": s, "level": level, "roles": roles} for n, (s, level, roles) in enumerate(people, 1)], "highest_level": "paramedic", "plan_told": True, "takedown": {"done": False}, "protective_equipment": ["gloves"]},
        "stretcher": {"ready_before": True, "height": "lowest", "brakes": "on", "rails": "down", "belts": [{"id": f"e{n}", "place": p, "on": at(12), "chest_free": True, "buckle_reach": "out_of_reach"} for n, p in enumerate(("above_knees", "hips", "shoulders"), 1)], "torso_harness": "used"},
        "application": {"started": at(5), "completed": at(10), "sequence": ["right_arm", "left_arm", "left_leg", "right_leg"], "limbs": limbs, "holds": holds, "body_weight": [], "cross_check": {"done": True, "time": at(11)}, "head_released": at(11)},
        "postures": [{"id": "o1", "posture": "semi_fowler", "start": at(5), "head_elevation_deg": 35, "arms_behind_back": False, "care": "this_unit"}],
        "sedation": {"doses": [{"id": "d1", "drug": "midazolam", "time": at(9), "dose": 5, "unit": "mg", "route": "im", "given_by": "p1", "ordered_by": "protocol", "requested_by": "crew", "reason": "danger", "mixed_with": [], "effect": "as_intended", "adverse_effects": []}], "not_given": [], "airway_ready": True},
        "monitoring": {"vitals": [], "limb_checks": [], "breathing_checks": [], "capnography": [{"id": "g1", "start": at(9)}], "oximetry": [{"id": "x1", "start": at(7)}], "ecg": [{"id": "y1", "start": at(9)}], "observation": [{"id": "z1", "start": at(5), "by": "p1", "seat": "at_head", "limbs_in_view": True}], "actions": [], "events": []},
        "reassessments": [],
        "custody": {"none": True},
        "injuries": {"none": True},
        "narrative": "Struck at the crew after stimulants. Held by five on a signal, four soft straps, midazolam by protocol. Calm after a quarter of an hour.",
    }  # fmt: skip


def episode(size: int, seed: int = SEED) -> Document:
    """An episode with exactly ``size`` timed items (at least 60)."""
    rng = random.Random(seed)
    document = _skeleton(seed)
    document["episode_ref"] = f"benchmark-{size}"
    monitoring = document["monitoring"]
    vitals, checks, looks = monitoring["vitals"], monitoring["limb_checks"], monitoring["breathing_checks"]
    left = size - timed_items(document)
    minute = 1
    while left >= 8:
        if minute % 5 == 1:
            vitals.append(_vitals(rng, len(vitals) + 1, minute))
            left -= 1
            if len(vitals) == 6:
                monitoring["actions"].append({"id": "t1", "action": "oxygen_given", "time": at(minute + 1)})
                left -= 1
        if minute >= 12 and minute % 10 == 2 and minute != 32:  # one round of limb checks is missing
            checks.extend(_checks(len(checks) + 1, minute))
            left -= 4
        if minute >= 8 and minute % 10 == 8:
            looks.append({"id": f"r{len(looks) + 1}", "time": at(minute), "airway": "clear", "breathing": "normal"})
            left -= 1
        if minute % 30 == 25:
            document["reassessments"].append(
                {
                    "id": f"q{len(document['reassessments']) + 1}",
                    "time": at(minute),
                    "decision": "continue",
                    "reason": "danger_goes_on",
                }
            )
            left -= 1
        minute += 1
    for number in range(1, left + 1):
        monitoring["events"].append(
            {"id": f"u{number}", "event": "struggling", "time": at(10 + number), "end": at(11 + number)}
        )
    _close(document, minute + 2)
    return document


def _close(document: Document, minute: int) -> None:
    """Transport, transfer of care and the end of the chart."""
    document["transport"] = {
        "at_patient": at(0),
        "transported": True,
        "departed": at(16),
        "arrived": at(minute - 4),
        "attendants": ["paramedic", "emt"],
        "facility_told": True,
        "facility_told_time": at(20),
    }
    document["handover"] = {
        "time": at(minute),
        "receiver_role": "nurse",
        "receiver_identified": True,
        "restraint_state": "on",
        "limb_status": "normal",
        "told": ["behaviour", "restraint", "limb_status", "sedation", "vital_signs", "events", "injuries"],
        "accepted": True,
    }
    document["chart"] = {
        "opened": at(-4),
        "closed": at(minute + 45),
        "author_level": "paramedic",
        "amendments": [],
        "director_review_requested": True,
    }


def variants(document: Document, number: int) -> Iterator[Document]:
    """``number`` copies, each with its own ``episode_ref`` and all its times shifted alike."""
    for index in range(1, number + 1):
        out = copy.deepcopy(document)
        out["episode_ref"] = f"{document['episode_ref']}-{index}"
        for place in places(out):
            if isinstance(place.member.kind, declaration.Time) and isinstance(place.value, str):
                place.value = (datetime.fromisoformat(place.value) + timedelta(minutes=7 * index)).isoformat()
        yield out


def path(size: int) -> Path:
    """Where the episode of that size lies."""
    return HERE / f"episode-{size}.json"


def text(document: Any) -> str:
    """As it is written to its file."""
    return json.dumps(document, indent=1, ensure_ascii=False) + "\n"


def main() -> None:
    """Write every size."""
    for size in SIZES:
        path(size).write_text(text(episode(size)), encoding="utf-8")


if __name__ == "__main__":
    main()
