"""The clean corpus and the honest bad starts: seeded scenes, each under the profile of its agency."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from tests.corpora.scene import Document, Scene

PROFILES = ("default", "massachusetts-2026", "rhode-island", "clark-2025", "salt-lake-2026")
#: What some senders have no place for.
NOT_COLLECTED = (
    ("/stretcher/height", "/stretcher/brakes", "/stretcher/rails", "/stretcher/ready_before"),
    ("/application/limbs/*/joint_range", "/application/limbs/*/movement", "/application/limbs/*/padded"),
    ("/application/limbs/*/checked_by", "/application/cross_check", "/application/head_released"),
    ("/application/sequence", "/team/plan_told"),
    ("/monitoring/vitals/*/qtc_ms", "/monitoring/vitals/*/bp_method"),
    ("/patient/oxygen_target", "/patient/communication_need", "/patient/communication_need_met"),
    ("/custody/search", "/handover/accepted"),
    ("/postures/*/head_elevation_deg",),
    ("/reassessments",),
)


@dataclass(frozen=True)
class Case:
    """One episode of the corpus, the profile of its agency, and what kind it is."""

    name: str
    profile: str
    document: Document


def without(document: Document, paths: tuple[str, ...]) -> Document:
    """The record of a sender that has no place for these members."""

    def take(node: Any, steps: list[str]) -> None:
        if isinstance(node, list):
            for item in node:
                take(item, steps[1:])
        elif isinstance(node, dict) and steps[0] in node:
            if len(steps) == 1:
                del node[steps[0]]
            else:
                take(node[steps[0]], steps[1:])

    for path in paths:
        take(document, path.split("/")[1:])
    document["not_collected"] = [*document.get("not_collected", []), *paths]
    return document


KINDS = ("both", "straps", "hold", "sedation", "both", "police")


def scene(seed: int, profile: str | None = None, kind: str | None = None) -> Scene:
    """The scene of one seed."""
    rng = random.Random(f"well-run {seed}")
    return Scene(rng, profile or PROFILES[seed % len(PROFILES)], kind or KINDS[seed % len(KINDS)])


def clean(count: int) -> list[Case]:
    """So many clean episodes, each of its own seed."""
    out = []
    for seed in range(count):
        one = scene(seed)
        document = one.document()
        if seed % 3 == 2:
            document = without(document, one.rng.choice(NOT_COLLECTED))
        out.append(Case(f"{one.kind} {seed}", one.profile, document))
    return out


def found_prone(one: Scene) -> Document:
    """Found prone and cuffed behind by police, turned and freed within the first minute."""
    out = one.document()
    at = one.at
    out["postures"][0] |= {"posture": "prone", "end": at(one.contact + 1), "arms_behind_back": True}
    out["postures"].insert(
        1,
        {
            "id": "o3",
            "posture": "left_lateral",
            "start": at(one.contact + 1),
            "end": at(one.started),
            "arms_behind_back": False,
            "care": "this_unit",
        },
    )
    out["custody"] = {
        "law_enforcement_present": True, "arrived": at(0), "left": at(one.departed), "in_custody": False,
        "devices": [{"id": "j1", "device": "handcuffs", "site": "wrists_behind_back", "on": at(0), "off": at(one.contact + 1), "replaced": False}],
        "officer": "following", "key_at_hand": True, "energy_weapon": {"used": False}, "irritant": {"used": False}, "face_covers": [],
        "search": {"done": True, "by": "law_enforcement"},
    }  # fmt: skip
    out["handover"]["told"].append("police_devices")
    return out


def weight_found(one: Scene) -> Document:
    """Somebody's weight on the back at contact, lifted at once."""
    out = one.document()
    out["application"]["body_weight"] = [
        {
            "id": "w1",
            "place": "back",
            "start": one.at(0),
            "end": one.at(one.contact + 1),
            "by": "bystander",
            "care": "found_at_contact",
        }
    ]
    return out


def fast_before_control(one: Scene) -> Document:
    """Heart rate 140 and breathing 28 before control."""
    out = one.document()
    for vital in out["monitoring"]["vitals"]:
        if vital["time"] < one.at(one.control):
            vital |= {"hr": 140, "rr": 28}
    return out


def no_first_values(one: Scene) -> Document:
    """A fight that prevents the first vital signs; everything is measured after control."""
    out = one.document()
    sets = out["monitoring"]["vitals"]
    glucose = sets[0].pop("glucose_mg_dl")
    for vital in sets:
        if vital["time"] < one.at(one.control):
            for member in ("hr", "rr", "spo2", "sbp", "dbp", "temperature_c", "rhythm", "qtc_ms"):
                vital[member] = {"absent": "declined", "reason": "unsafe_to_attempt"}
    next(v for v in sets if v["time"] >= one.at(one.control))["glucose_mg_dl"] = glucose
    return out


BAD_STARTS: tuple[Callable[[Scene], Document], ...] = (found_prone, weight_found, fast_before_control, no_first_values)


def bad_starts(count: int) -> list[Case]:
    """Each bad start on so many scenes."""
    out = []
    for number, start in enumerate(BAD_STARTS):
        for seed in range(count):
            one = scene(100 * (number + 1) + seed, kind=("both", "straps", "hold")[seed % 3])
            out.append(Case(f"{start.__name__} {seed}", one.profile, start(one)))
    return out
