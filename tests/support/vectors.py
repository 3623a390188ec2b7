"""The exemplary record changed in a few named facts, so that only these can matter."""

from __future__ import annotations

from typing import Any

from tests.support.episodes import Document, clock, drop, exemplary, put

DIRECT = {"given_by": "p1", "ordered_by": "medical_direction", "requested_by": "crew", "reason": "danger"}
#: Index of a set of vital signs in the middle of transport, well after control, and of the last one.
MIDDLE, LAST = 4, 9


def with_signs(index: int = MIDDLE, document: Document | None = None, **signs: Any) -> Document:
    """One set of vital signs changed; None takes a sign out."""
    document = document or exemplary()
    vitals = document["monitoring"]["vitals"][index]
    for name, value in signs.items():
        if value is None:
            del vitals[name]
        else:
            vitals[name] = value
    return document


def every_sign(document: Document, **signs: Any) -> Document:
    """The same value in every set of vital signs."""
    for index in range(len(document["monitoring"]["vitals"])):
        with_signs(index, document, **signs)
    return document


def aged(years: int, document: Document | None = None) -> Document:
    """The patient at another age; below 16 with a breathing rate and weight that fit a child."""
    document = document or exemplary()
    put(document, "/patient/age/value", years)
    if years < 16:
        every_sign(document, rr=20)
        put(document, "/patient/weight_kg", 10 + 3 * years)
    return document


def unsedated(document: Document) -> Document:
    """No dose given; one drug considered."""
    put(document, "/sedation/doses", [])
    return document


def dosed(*doses: tuple[float, str, float, str], unit: str = "mg", document: Document | None = None) -> Document:
    """Other doses: (minute after 18:00, drug, amount, route), each charted in full."""
    document = document or exemplary()
    full = {"unit": unit, "mixed_with": [], "effect": "as_intended", "adverse_effects": [], **DIRECT}
    put(
        document,
        "/sedation/doses",
        [
            {"id": f"d{n}", "drug": drug, "time": clock(minute), "dose": amount, "route": route, **full}
            for n, (minute, drug, amount, route) in enumerate(doses, 1)
        ],
    )
    return document


def weighing(kg: float, document: Document) -> Document:
    """The patient with another weight."""
    put(document, "/patient/weight_kg", kg)
    return document


def left_wrist_checked(on: float, *minutes: float) -> Document:
    """The left wrist secured at ``on`` and checked so many minutes after that; the other limbs as they were."""
    document = exemplary()
    put(document, "/application/limbs/1/on", clock(on))
    put(document, "/application/completed", clock(max(on, 16)))
    put(document, "/monitoring/events", [])
    put(document, "/monitoring/actions", [])
    checks = document["monitoring"]["limb_checks"]
    pattern = next(c for c in checks if (c["side"], c["site"]) == ("left", "wrist"))
    others = [c for c in checks if (c["side"], c["site"]) != ("left", "wrist")]
    own = [pattern | {"id": f"n{m}", "time": clock(on + m), "entered": clock(on + m)} for m in minutes]
    put(document, "/monitoring/limb_checks", others + own)
    return document


def with_energy_weapon(cycles: int, weapons: int, longest: int) -> Document:
    """An energy weapon was used, and no ECG is charted."""
    document = exemplary()
    put(
        document,
        "/custody/energy_weapon",
        {"used": True, "cycles": cycles, "weapons": weapons, "longest_cycle_s": longest, "probes": "none"},
    )
    drop(document, "/monitoring/ecg")
    return every_sign(document, rhythm=None)


def with_posture_before(posture: str, start: float, end: float, care: str) -> Document:
    """One more posture, at the front of the list or between the two that are there."""
    document = exemplary()
    postures = document["postures"]
    new = postures[1] | {"id": "o9", "posture": posture, "start": clock(start), "end": clock(end), "care": care}
    for other in postures:
        if other["start"] == new["start"]:
            other["start"] = new["end"]
    document["postures"] = sorted([*postures, new], key=lambda p: str(p["start"]))
    return document
