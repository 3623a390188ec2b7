"""A seeded model of a restraint that was run and charted well: varied length, drug, crew, police, profile, sender.

Lengths, drugs and the mix of held, strapped and sedated follow the published
epidemiology only in kind (national registry 2021: sedated only, restrained
only and both are each about a third); every number that a profile limits is
drawn inside that profile. Everything here is invented.
"""

from __future__ import annotations

import random
from typing import Any

Document = dict[str, Any]

LIMBS = (("right", "wrist"), ("left", "wrist"), ("left", "ankle"), ("right", "ankle"))
NAMES = {
    ("right", "wrist"): "right_arm",
    ("left", "wrist"): "left_arm",
    ("left", "ankle"): "left_leg",
    ("right", "ankle"): "right_leg",
}
#: (drug, route) -> mg for an adult, and for an adult from 65.
DOSES: dict[tuple[str, str], tuple[float, float]] = {
    ("midazolam", "im"): (5, 2.5),
    ("midazolam", "iv"): (2.5, 2),
    ("midazolam", "in"): (5, 2.5),
    ("lorazepam", "im"): (2, 1),
    ("droperidol", "im"): (5, 2.5),
    ("haloperidol", "im"): (5, 2.5),
    ("olanzapine", "im"): (10, 5),
    ("ziprasidone", "im"): (10, 10),
    ("ketamine", "im"): (2, 1.5),  # mg/kg
}
NARRATIVES = (
    "Patient struck at crew and tried to leave a moving car. Talked with him, gave space, family tried too. Explained each step. Secured in four soft straps on the stretcher frame, head raised. Checked all limbs on the way, fingers and toes warm.",
    "Called for a person shouting and throwing furniture. Calm voice and an offer of medicine did not help. Held on a signal, one person to a limb. Not placed prone at any time. Quiet and answering questions on arrival.",
    "Found pacing with a broken bottle. Put it down when asked, then ran at the road. Held by the arms and secured. No complaint of trouble breathing. Belts over hips and above the knees, chest free.",
    "Patient bit at hands during care of a bleeding arm. Restrained to allow care. Denies pain from the straps. Loosened the left wrist once and looked again. Handed to the nurse with all values.",
)


class Scene:
    """One clean episode in the making: minutes after 18:00 and what is drawn for it."""

    def __init__(self, rng: random.Random, profile: str, kind: str) -> None:
        self.rng, self.profile, self.kind = rng, profile, kind
        self.contact = rng.randint(1, 4)
        self.decided = self.contact + rng.randint(5, 9)
        self.started = self.decided + rng.randint(1, 3)
        self.departed = self.started + rng.randint(11, 18)
        self.arrived = self.departed + rng.randint(8, 40)
        self.handover = self.arrived + rng.randint(5, 9)
        self.straps = kind in ("straps", "both")
        self.sedated = kind in ("sedation", "both")
        self.police = kind == "police"
        self.age = rng.choice((10, 14, 19, 24, 29, 34, 41, 52, 63, 68, 77))
        self.weight = {10: 34, 14: 52}.get(self.age) or rng.randint(50, 110)

    @staticmethod
    def at(minute: int) -> str:
        """The time so many minutes after 18:00."""
        return f"2031-05-20T{18 + minute // 60:02d}:{minute % 60:02d}:00-06:00"

    @property
    def secured(self) -> list[int]:
        """When each of the four limbs was secured."""
        return [self.started + 2 + n for n in range(4)]

    @property
    def control(self) -> int:
        """When the last limb was secured, or the hold ended."""
        return self.secured[-1] if self.straps else self.started + 5

    @property
    def dose_time(self) -> int:
        return self.started + 1

    def document(self) -> Document:
        """The whole record."""
        parts = (
            self._patient(), self._decision(), self._team(), self._stretcher(), self._application(), self._postures(), self._sedation(),
            self._monitoring(), self._reassessments(), self._custody(), self._transport(), self._handover(), self._rest(),
        )  # fmt: skip
        out: Document = {"episode_ref": f"corpus-{self.rng.randint(1000, 9999)}"}
        for part in parts:
            out |= part
        return out

    def _patient(self) -> Document:
        sex = self.rng.choice(("female", "male"))
        return {
            "patient": {
                "age": {"value": self.age, "unit": "a"},
                "sex": sex,
                "weight_kg": self.weight,
                "weight_basis": self.rng.choice(("measured", "stated", "estimated_by_two")),
                "pregnant": False,
                "conditions": self.rng.choice(([], ["psychiatric_illness"], ["diabetes"], ["dementia"])),
                "oxygen_target": "94-98",
                "allergies": [],
                "substances": self.rng.choice(
                    (
                        [],
                        [{"id": "s1", "substance": "cannabis", "basis": "stated"}],
                        [{"id": "s1", "substance": "stimulant", "basis": "suspected"}],
                    )
                ),
                "communication_need": "none",
                "communication_need_met": True,
                "guardian_told": True,
            }
        }

    def _decision(self) -> Document:
        at = self.at
        causes = ("hypoxia", "hypoglycaemia", "hyperthermia", "head_injury", "stroke", "seizure", "substances")
        return {
            "decision": {
                "time": at(self.decided),
                "behaviours": [
                    {
                        "id": "b1",
                        "behaviour": self.rng.choice(("struck_out", "kicked", "bit", "threw_objects")),
                        "time": at(self.contact + 1),
                        "words": "Swung at the crew.",
                    }
                ],
                "danger_to": self.rng.choice((["self"], ["crew"], ["self", "others"])),
                "reasons": self.rng.choice(
                    (["prevent_self_harm"], ["protect_others"], ["allow_emergency_care", "protect_others"])
                ),
                "capacity": "absent",
                "capacity_basis": ["cannot_weigh"],
                "consent": "refused",
                "explained": True,
                "alternatives": [
                    {"id": "a1", "measure": "verbal_deescalation", "time": at(self.contact + 1), "result": "failed"}
                ],
                "causes": [
                    {"id": f"k{n}", "cause": cause, "result": "not_found", "evidence": "examined"}
                    for n, cause in enumerate(causes)
                ],
                "authority": self.rng.choice(("emergency_exception", "mental_health_hold")),
                "authority_confirmed_by": "medical_direction",
                "medical_direction": {"contacted": True, "time": at(self.decided), "outcome": "agreed"},
            }
        }

    def _team(self) -> Document:
        roles = [["lead", "head"], ["right_arm"], ["left_arm"], ["left_leg"], ["right_leg"]]
        roles += [["straps", "observer"]] * self.rng.randint(0, 2)
        services = ["ems", "ems"] + ["fire"] * 5
        levels = ["paramedic", "emt"] + ["emt"] * 5
        members = [
            {"id": f"p{n + 1}", "service": services[n], "level": levels[n], "roles": role}
            for n, role in enumerate(roles)
        ]
        members[0]["roles"] = ["lead", "head", "sedation"]
        return {
            "team": {
                "members": members,
                "highest_level": "paramedic",
                "plan_told": True,
                "takedown": {"done": False},
                "protective_equipment": ["gloves"],
            }
        }

    def _stretcher(self) -> Document:
        belts = [
            {
                "id": f"e{n}",
                "place": place,
                "on": self.at(self.control + 2),
                "off": self.at(self.handover),
                "chest_free": True,
                "buckle_reach": "out_of_reach",
            }
            for n, place in enumerate(("above_knees", "hips", "shoulders"))
        ]
        return {
            "stretcher": {
                "ready_before": True,
                "height": "lowest",
                "brakes": "on",
                "rails": "down",
                "belts": belts,
                "torso_harness": "used",
            }
        }

    def _application(self) -> Document:
        at, rng = self.at, self.rng
        if self.kind == "sedation":
            return {"application": {"limbs": [], "holds": [], "body_weight": []}}
        out: Document = {"started": at(self.started), "limbs": []}
        holders = ("head", *(NAMES[limb] for limb in LIMBS))
        end = self.control
        out["holds"] = [
            {
                "id": f"h{n}",
                "part": part,
                "start": at(self.started),
                "end": at(end + (1 if part == "head" else 0)),
                "by": f"p{n + 1}",
            }
            for n, part in enumerate(holders)
        ]
        out["body_weight"] = rng.choice(
            (
                [],
                [
                    {
                        "id": "w1",
                        "place": "thighs",
                        "start": at(self.started),
                        "end": at(self.started + 2),
                        "by": "fire",
                        "care": "this_unit",
                    }
                ],
            )
        )
        out["head_released"] = at(end + 1)
        if self.straps:
            device = rng.choice(("soft_cloth", "soft_hook_and_loop", "padded_leather"))
            lie = ("raised_beside_head", "along_side", "straight", "straight")
            out["limbs"] = [
                {
                    "id": f"l{n + 1}", "side": side, "site": site, "device": device, "applied_by": "ems", "on": at(self.secured[n]), "off": at(self.handover),
                    "off_reason": "handover", "anchor": "stretcher_frame", "fastening": "buckle", "limb_position": lie[n], "joint_range": "normal",
                    "movement": "fingers_or_toes_only", "fit": "one_finger", "padded": True, "checked_by": "p1", "skin_at_removal": "intact",
                }
                for n, (side, site) in enumerate(LIMBS)
            ]  # fmt: skip
            out["completed"] = at(self.secured[-1])
            out["sequence"] = [NAMES[limb] for limb in LIMBS]
            out["cross_check"] = {"done": True, "time": at(self.control + 1)}
        return {"application": out}

    def _postures(self) -> Document:
        at = self.at
        return {
            "postures": [
                {"id": "o1", "posture": "standing", "start": at(self.contact), "end": at(self.started), "arms_behind_back": False, "care": "found_at_contact"},
                {
                    "id": "o2", "posture": self.rng.choice(("semi_fowler", "supine", "left_lateral")), "start": at(self.started), "end": at(self.handover),
                    "head_elevation_deg": self.rng.choice((30, 35, 45)), "arms_behind_back": False, "care": "this_unit", "reason": "comfort",
                },
            ]
        }  # fmt: skip

    def _sedation(self) -> Document:
        at = self.at
        if not self.sedated:
            return {
                "sedation": {
                    "doses": [],
                    "not_given": [{"id": "n1", "drug": "midazolam", "time": at(self.decided), "reason": "not_needed"}],
                }
            }
        drug, route = self.rng.choice(sorted(DOSES)) if self.age >= 16 else ("midazolam", "im")
        amount = DOSES[drug, route][self.age >= 65] if self.age >= 16 else min(5, self.weight // 2 / 5)
        if drug == "ketamine":
            amount = min(200, amount * self.weight) - amount * self.weight % 10
        dose = {
            "id": "d1", "drug": drug, "time": at(self.dose_time), "dose": amount, "unit": "mg", "route": route, "given_by": "p1", "ordered_by": "protocol",
            "requested_by": "crew", "reason": "danger", "mixed_with": [], "effect": "as_intended", "adverse_effects": [],
        }  # fmt: skip
        return {"sedation": {"doses": [dose], "not_given": [], "airway_ready": True}}

    def _vital(self, number: int, minute: int) -> Document:
        rng, settled = self.rng, min(1.0, max(0, minute - self.contact) / 20)
        early = minute < self.control
        eye, verbal, motor = (4, 4, 6) if early else (4, 5, 6)
        sbp = int(146 - 16 * settled) + rng.randint(-3, 3)
        out = {
            "id": f"v{number}", "time": self.at(minute), "before_care": False, "hr": int(118 - 30 * settled) + rng.randint(-4, 4), "rr": int(22 - 5 * settled) + rng.randint(-1, 1),
            "spo2": rng.choice((96, 97, 98, 99)), "sbp": sbp, "dbp": sbp - 50 + rng.randint(-3, 3), "bp_method": "automatic", "temperature_c": round(37 + rng.random() * 0.5, 1),
            "gcs_eye": eye, "gcs_verbal": verbal, "gcs_motor": motor, "gcs_total": eye + verbal + motor, "acvpu": "confused" if early else "alert", "agitation_scale": "rass",
            "agitation_score": 3 if early else rng.choice((1, 0, 0, -1)), "rhythm": "sinus", "qtc_ms": rng.randint(400, 430), "oxygen": "air",
        }  # fmt: skip
        if early:
            out["etco2_mmhg"] = out["etco2_waveform"] = {"absent": "declined", "reason": "unsafe_to_attempt"}
        else:
            out |= {"etco2_mmhg": rng.randint(35, 41), "etco2_waveform": "present"}
        return out

    def _monitoring(self) -> Document:
        at, rng = self.at, self.rng
        step = 4 if self.sedated or self.profile == "massachusetts-2026" else rng.choice((5, 7, 9))
        minutes = [
            self.contact + 1,
            *range(self.contact + 5, self.started, 4),
            self.started,
            *range(self.started + min(step, 4), self.handover - 2, step),
            self.handover - 1,
        ]
        vitals = [self._vital(n, minute) for n, minute in enumerate(dict.fromkeys(minutes))]
        vitals[0]["glucose_mg_dl"] = rng.randint(85, 140)
        checks = []
        if self.straps or self.police:
            every = rng.choice((8, 9, 10))
            first = self.contact + 2 if self.police else self.control + 1
            rounds = [first, *range(first + every, self.arrived - 2, every), self.arrived + 1]
            checks = [
                {
                    "id": f"c{n}x{m}", "side": side, "site": site, "time": at(minute), "pulse": "present", "cap_refill_s": 1.5, "cap_refill_other_side": "same",
                    "motor": "normal", "sensation": "normal", "skin": "normal", "by": "p1",
                }
                for n, minute in enumerate(rounds) for m, (side, site) in enumerate(LIMBS if self.straps else LIMBS[:2])
            ]  # fmt: skip
        watched = self.contact if self.police else self.started
        span = {"start": at(watched + 2), "end": at(self.handover)}
        return {
            "monitoring": {
                "vitals": vitals,
                "limb_checks": checks,
                "breathing_checks": [
                    {"id": f"r{n}", "time": at(minute), "airway": "clear", "breathing": "normal"}
                    for n, minute in enumerate(range(self.started + 3, self.handover, 10))
                ],
                "capnography": [{"id": "g1", **span}],
                "oximetry": [{"id": "x1", **span}],
                "ecg": [{"id": "y1", **span}],
                "observation": [
                    {
                        "id": "z1",
                        "start": at(watched),
                        "end": at(self.handover),
                        "by": "p1",
                        "seat": "at_head",
                        "limbs_in_view": True,
                    }
                ],
                "actions": [],
                "events": [],
            }
        }

    def _reassessments(self) -> Document:
        if self.kind == "sedation":
            return {"reassessments": []}
        looks = range(self.control + 12, self.handover, 12)
        return {
            "reassessments": [
                {"id": f"q{n}", "time": self.at(m), "decision": "continue", "reason": "transport_safety"}
                for n, m in enumerate(looks)
            ]
            or [{"id": "q0", "time": self.at(self.handover - 1), "decision": "continue", "reason": "transport_safety"}]
        }

    def _custody(self) -> Document:
        at = self.at
        if self.rng.random() < 0.4 and not self.police:
            return {"custody": {"none": True}}
        cuffs = {
            "id": "j1",
            "device": "handcuffs",
            "site": "wrists_in_front",
            "on": at(0),
            "off": at(self.handover),
            "replaced": False,
        }
        aboard = (
            {"officer": "aboard", "key_at_hand": True, "devices": [cuffs], "left": at(self.handover)}
            if self.police
            else {}
        )
        return {
            "custody": {
                "law_enforcement_present": True, "arrived": at(0), "left": at(self.departed), "in_custody": self.police, "devices": [],
                "energy_weapon": {"used": False}, "irritant": {"used": False}, "face_covers": [], "search": {"done": True, "by": "law_enforcement"},
            } | aboard
        }  # fmt: skip

    def _transport(self) -> Document:
        at = self.at
        return {
            "transport": {
                "at_patient": at(self.contact), "transported": True, "departed": at(self.departed), "arrived": at(self.arrived), "attendants": ["paramedic", "emt"],
                "facility_told": True, "facility_told_time": at(self.departed + 2),
            }
        }  # fmt: skip

    def _handover(self) -> Document:
        told = [
            "behaviour",
            "restraint",
            "limb_status",
            "sedation",
            "vital_signs",
            "events",
            "injuries",
            "posture",
            "glucose",
        ]
        state = {"straps": "off", "both": "off"}.get(self.kind)
        out = {
            "time": self.at(self.handover), "receiver_role": self.rng.choice(("nurse", "physician")), "receiver_identified": True, "limb_status": "normal",
            "told": told if self.sedated else [word for word in told if word != "sedation"], "accepted": True,
        }  # fmt: skip
        if self.police:
            out["restraint_state"] = "on"
            out["told"].append("police_devices")
        elif state:
            out |= {"restraint_state": state, "removed_time": self.at(self.handover)}
        else:
            out |= {"restraint_state": "off", "removed_time": self.at(self.control)}
        return {"handover": out}

    def _rest(self) -> Document:
        return {
            "injuries": {"patient": [], "crew": [], "others": [], "complications": [], "death": {"died": False}},
            "narrative": self.rng.choice(NARRATIVES),
            "chart": {
                "opened": self.at(0),
                "closed": self.at(self.handover + 30),
                "author_level": "paramedic",
                "amendments": [],
                "director_review_requested": True,
            },
        }
