"""Twelve situations as whole episodes, charted well by a crew that writes little: what applies, and nothing else.

Each is invented. ``questions``: the rules that may ask the author, with the reason in ``why``; ``lacking``: a member
that is taken out, and the rule that asks for it then; ``told``: what the reviewer is shown above info.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from tests.support.episodes import Document, act, check, clock, dose, limb, vital

_FOUR = (("right", "wrist"), ("left", "wrist"), ("right", "ankle"), ("left", "ankle"))
_WELL: dict[str, Any] = {"hr": 96, "rr": 16, "spo2": 97, "sbp": 128, "dbp": 78}


@dataclass(frozen=True)
class Situation:
    """One episode, the questions that it may raise, and why no others."""

    name: str
    document: Document
    why: str
    lacking: tuple[str, str]
    questions: frozenset[str] = frozenset()
    told: frozenset[str] = frozenset()


def decision(*alternatives: str, **more: Any) -> Document:
    """Why, tried what, and whether the patient could decide."""
    return {
        "behaviours": [{"behaviour": "struck_out"}],
        "danger_to": ["crew"],
        "reasons": ["protect_others"],
        "capacity": "absent",
        "alternatives": [{"measure": m, "result": "failed"} for m in alternatives or ("verbal_deescalation",)],
    } | more


def signs(minute: float, **more: Any) -> Document:
    """An ordinary set."""
    return vital(minute, **(_WELL | more))


def record(end: float, **sections: Any) -> Document:
    """Contact at 0, departure at 15, arrival 6 min before ``end``, transfer of care at ``end``; ``sections`` replace."""
    document: Document = {
        "episode_ref": "situation",
        "patient": {"age": {"value": 31, "unit": "a"}, "sex": "male"},
        "decision": decision(),
        "postures": [{"posture": "semi_fowler", "start": clock(0), "care": "this_unit"}],
        "sedation": {"none": True},
        "transport": {
            "at_patient": clock(0),
            "transported": True,
            "departed": clock(15),
            "arrived": clock(end - 6),
        },
        "handover": {
            "time": clock(end),
            "receiver_role": "nurse",
            "restraint_state": "on",
            "limb_status": "normal",
            "told": ["behaviour", "restraint", "limb_status", "vital_signs"],
        },
    } | sections
    return {name: value for name, value in document.items() if value is not None}


def straps(on: float, off: float | None = None, **more: Any) -> list[Document]:
    """Four soft straps."""
    return [limb(side, site, on=on, off=off, **more) for side, site in _FOUR]


def checks(*minutes: float, **more: Any) -> list[Document]:
    """All limbs looked at."""
    return [
        {"site": "all", "time": clock(m), "pulse": "present", "motor": "normal", "sensation": "normal"} | more
        for m in minutes
    ]


_CUFFS = {"device": "handcuffs", "site": "wrists_in_front", "on": clock(-20)}
_WRISTS = [check(m, side) for m in (3, 14, 27, 34) for side in ("left", "right")]


def _police(**more: Any) -> Document:
    return {"law_enforcement_present": True, "in_custody": True, "devices": [_CUFFS]} | more


SITUATIONS = (
    Situation(
        "calm under arrest, police cuffs, officer aboard",
        record(
            36,
            custody=_police(officer="aboard", key_at_hand=True),
            monitoring={
                "vitals": [signs(m, **({"glucose_mg_dl": 98} if m == 4 else {})) for m in (4, 17, 29)],
                "limb_checks": _WRISTS,
            },
        )
        | {"handover": record(36)["handover"] | {"told": ["restraint", "police_devices", "limb_status"]}},
        "The police put the cuffs on. Checks of the wrists, officer and key are there; how cuffs were applied is not this crew's.",
        ("/custody/officer", "RR-1118"),
    ),
    Situation(
        "cuffs taken off before departure",
        record(
            36,
            custody=_police(devices=[_CUFFS | {"off": clock(8)}]),
            monitoring={
                "vitals": [signs(m, **({"glucose_mg_dl": 98} if m == 4 else {})) for m in (4, 17, 29)],
                "limb_checks": [check(m, side) for m in (2, 7) for side in ("left", "right")],
            },
        )
        | {"handover": record(36)["handover"] | {"restraint_state": "off"}},
        "No device was on in the journey, so nobody asks for officer and key.",
        ("/monitoring/vitals", "RR-1321"),
    ),
    Situation(
        "held by hand for a minute, then walked to the cot",
        record(
            36,
            application={"started": clock(5), "holds": [{"part": "right_arm", "start": clock(5), "end": clock(6)}]},
            monitoring={"vitals": [signs(9, glucose_mg_dl=101), signs(20), signs(30)]},
        )
        | {"handover": record(36)["handover"] | {"restraint_state": "off"}},
        "A hold is restraint: reason, time and vital signs are there. No strap, no limb to check.",
        ("/monitoring/vitals", "RR-1321"),
    ),
    Situation(
        "transfer between hospitals, restrained by the first",
        record(
            60,
            decision=decision(time=clock(0)),
            application={"limbs": straps(on=-40, applied_by="hospital", taken_over=True)},
            monitoring={
                "vitals": [signs(m, **({"glucose_mg_dl": 98} if m == 2 else {})) for m in (2, 14, 27, 40, 52)],
                "limb_checks": checks(2, 15, 28, 41, 55),
            },
        ),
        "The hospital applied the straps; from contact on the limbs and the breathing are this crew's, and are charted.",
        ("/monitoring/limb_checks/2", "RR-1307"),
    ),
    Situation(
        "struggle, then a refusal by a patient who can decide again",
        record(
            36,
            application={"started": clock(3), "holds": [{"part": "left_arm", "start": clock(3), "end": clock(7)}]},
            monitoring={
                "vitals": [signs(8, glucose_mg_dl=54), signs(23, glucose_mg_dl=112)],
                "actions": [act(9, "oral_sugar")],
            },
            handover=None,
            transport={
                "at_patient": clock(0),
                "transported": False,
                "ended": {"time": clock(30), "how": "refused"},
            },
        ),
        "Low sugar, treated, and read again after a quarter of an hour. Nobody took over, so no transfer is asked for.",
        ("/monitoring/vitals/1", "RR-1396"),
    ),
    Situation(
        "released to the police on scene",
        record(
            36,
            custody=_police(officer="aboard"),
            monitoring={"vitals": [signs(4, glucose_mg_dl=98)], "limb_checks": _WRISTS[:4]},
            handover=None,
            transport={
                "at_patient": clock(0),
                "transported": False,
                "ended": {"time": clock(16), "how": "released_to_law_enforcement"},
            },
        ),
        "Seen, checked and left with the police: no journey, no officer aboard, no hospital.",
        ("/monitoring/vitals", "RR-1321"),
    ),
    Situation(
        "arrest on the way, resuscitation into the hospital",
        record(
            36,
            application={"limbs": straps(on=5, off=19), "completed": clock(5)},
            sedation={"doses": [dose(6, effect="as_intended", adverse_effects=["cardiac_arrest"])]},
            monitoring={
                "vitals": [
                    signs(4, glucose_mg_dl=98, temperature_c=37.2, agitation_scale="rass", agitation_score=3),
                    signs(10, etco2_mmhg=37),
                    signs(15, etco2_mmhg=38),
                    vital(19, hr=0, rhythm="pea"),
                    vital(23, etco2_mmhg=12, rhythm="pea"),
                    vital(27, etco2_mmhg=14, rhythm="pea"),
                    vital(31, etco2_mmhg=13, rhythm="asystole"),
                    vital(35, etco2_mmhg=12, rhythm="asystole"),
                ],
                "limb_checks": checks(7, 17),
                "capnography": [{"start": clock(6), "end": clock(36)}],
                "events": [{"event": "arrest", "time": clock(19)}],
                "actions": [
                    act(19, "restraints_removed"),
                    act(19, "cpr"),
                    act(20, "ventilated"),
                    act(22, "airway_device"),
                ],
            },
        )
        | {
            "handover": record(36)["handover"]
            | {"restraint_state": "off", "told": ["restraint", "sedation", "events", "vital_signs", "limb_status"]}
        },
        "One arrest, answered at once: the arrest and the airway go to review, no limb checks and no low EtCO2 under compressions.",
        ("/handover/told", "RR-1143"),
        told=frozenset({"RR-1460"}),
    ),
    Situation(
        "died on scene in spite of resuscitation",
        record(
            36,
            application={"limbs": straps(on=5, off=8), "completed": clock(5)},
            monitoring={
                "vitals": [
                    signs(4, glucose_mg_dl=98),
                    vital(8, hr=0, rhythm="asystole"),
                    vital(16, etco2_mmhg=9, rhythm="asystole"),
                    vital(24, etco2_mmhg=8, rhythm="asystole"),
                ],
                "limb_checks": checks(6),
                "events": [{"event": "arrest", "time": clock(8)}],
                "actions": [act(8, "restraints_removed"), act(8, "cpr"), act(9, "ventilated")],
            },
            handover=None,
            injuries={"patient": [], "death": {"died": True, "time": clock(30), "hospital_told": True}},
            transport={"at_patient": clock(0), "transported": False, "ended": {"time": clock(30), "how": "died"}},
        ),
        "The death, the arrest and when the straps came off are charted; a transfer cannot be.",
        ("/injuries/death/time", "RR-1159"),
        told=frozenset({"RR-1158", "RR-1460"}),
    ),
    Situation(
        "sedated and never touched",
        record(
            36,
            sedation={"doses": [dose(6, effect="as_intended", adverse_effects=[])]},
            monitoring={
                "vitals": [
                    signs(m, etco2_mmhg=37, **({"glucose_mg_dl": 98, "temperature_c": 37.1} if m == 10 else {}))
                    for m in (10, 15, 20, 25, 30)
                ]
                + [vital(5, agitation_scale="rass", agitation_score=3)],
            },
        )
        | {"handover": {"time": clock(36), "receiver_role": "nurse", "told": ["sedation", "vital_signs"]}},
        "A drug for behavior is restraint, and nothing speaks of straps: no limb, no anchor, no application.",
        ("/monitoring/vitals/0/temperature_c", "RR-1011"),
    ),
    Situation(
        "heat, secured first, ice at ten minutes",
        record(
            36,
            application={"limbs": straps(on=8), "completed": clock(8)},
            monitoring={
                "vitals": [signs(3, temperature_c=40.6, glucose_mg_dl=98, hr=128)]
                + [signs(m, temperature_c=t) for m, t in ((18, 39.8), (24, 39.0), (33, 38.4))],
                "limb_checks": checks(10, 22, 33),
                "actions": [act(13, "cooling")],
            },
        ),
        "He had to be secured before anybody could cool him; ice came five minutes later and the heat was read again.",
        ("/postures", "RR-1116"),
    ),
    Situation(
        "straps off on the way, every one with its time",
        record(
            50,
            application={"limbs": straps(on=5, off=24), "completed": clock(5)},
            monitoring={
                "vitals": [signs(m, **({"glucose_mg_dl": 98} if m == 4 else {})) for m in (4, 16, 28, 41)],
                "limb_checks": checks(7, 17, 24),
            },
            reassessments=[{"time": clock(24), "decision": "release", "reason": "calm"}],
        )
        | {"handover": record(50)["handover"] | {"restraint_state": "off"}},
        "Letting go early is good care. No check on arrival of limbs that were free.",
        ("/monitoring/limb_checks/1", "RR-1307"),
    ),
    Situation(
        "a fever with an infection, straps for a confused patient",
        record(
            36,
            patient={"age": {"value": 71, "unit": "a"}, "conditions": ["infection"]},
            application={"limbs": straps(on=5), "completed": clock(5)},
            monitoring={
                "vitals": [
                    signs(m, temperature_c=38.9, **({"glucose_mg_dl": 98} if m == 4 else {})) for m in (4, 16, 28)
                ],
                "limb_checks": checks(7, 19, 31),
            },
        ),
        "A fever with an infection is not cooled on scene.",
        ("/decision/reasons", "RR-1003"),
    ),
)
