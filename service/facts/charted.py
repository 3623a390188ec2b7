"""What of the record tells the same as a family of the narrative."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, NamedTuple

from service.episode import record
from service.episode.absence import Absent
from service.episode.member_names import MemberName

from .fact import Evidence, place
from .timeline import Timeline

#: Scores that say nobody could rouse the patient: RASS (Sessler 2002), SAT, AMSS, BARS (Swift 2002).
_UNROUSABLE = {"rass": -4, "sat": -3, "amss": -4, "bars": 1}
_SOFT = frozenset(("soft", "soft_cloth", "soft_hook_and_loop", "padded_leather"))


class Charted(NamedTuple):
    """Whether the record tells a thing: true, false, or None with the ``state`` of its list. ``places``: where, or its list."""

    answer: bool | None
    state: str
    places: tuple[Evidence, ...]


def listed(line: Timeline, section: MemberName, member: MemberName | None, says: Callable[[Any], bool]) -> Charted:
    """Whether an item of a list says it; a list that is not charted says nothing."""
    node: Any = getattr(line.episode, section)
    value = node if member is None else getattr(node, member)
    inside = member is not None and type(node) is not Absent
    owner = place(node, member) if inside else place(line.episode, section)
    if type(value) is Absent:
        return Charted(False if value.state == "missing" else None, value.state, (owner,))
    found = tuple(place(item) for item in value if says(item))
    return Charted(bool(found), "recorded", found or (owner,))


def any_of(*charted: Charted) -> Charted:
    """The first that tells it, else the first that cannot say, else that none does, with a place of each."""
    for answer in (True, None):
        for one in charted:
            if one.answer is answer:
                return one
    return Charted(False, "recorded", tuple(p for one in charted for p in one.places[:1]))


def _or_else(owner: Charted, *others: Charted) -> Charted:
    """Other lists can only show that it is told: one that the source lacks makes nothing unknown."""
    return next((one for one in (owner, *others) if one.answer), owner)


def _complication(line: Timeline, *words: str) -> Charted:
    return listed(line, "injuries", "complications", lambda one: one.complication in words)


def _event(*words: str) -> Callable[[Timeline], Charted]:
    return lambda line: listed(line, "monitoring", "events", lambda event: event.event in words)


def _action(line: Timeline, *words: str) -> Charted:
    return listed(line, "monitoring", "actions", lambda action: action.action in words)


def _posture(line: Timeline) -> Charted:
    return listed(line, "postures", None, lambda p: p.posture in ("prone", "hobbled", "sandwiched"))


def _weight(line: Timeline) -> Charted:
    return listed(
        line, "application", "body_weight", lambda w: w.place in ("neck", "chest", "back", "abdomen", "shoulders")
    )


def _breathing(line: Timeline) -> Charted:
    entries = any_of(
        _event("breathing_complaint", "apnoea", "laryngospasm", "arrest")(line),
        listed(line, "monitoring", "breathing_checks", _breathes_badly),
    )
    return _or_else(entries, _complication(line, "apnoea", "laryngospasm", "hypoxia", "cardiac_arrest"))


def _breathes_badly(check: record.BreathingCheck) -> bool:
    return check.breathing in ("fast", "shallow", "laboured", "agonal", "absent") or check.airway in (
        "partly_blocked",
        "blocked",
    )


def _quiet(line: Timeline) -> Charted:
    return any_of(
        _event("suddenly_quiet", "stopped_struggling", "apnoea", "arrest", "seizure")(line),
        listed(line, "monitoring", "vitals", _unresponsive),
    )


def _unresponsive(vital: record.VitalSet) -> bool:
    total, score, scale = vital.gcs_total, vital.agitation_score, vital.agitation_scale
    if vital.acvpu in ("pain", "unresponsive") or (type(total) is not Absent and total <= 8):
        return True
    return type(score) is not Absent and type(scale) is not Absent and score <= _UNROUSABLE[scale]


def _apnoea(line: Timeline) -> Charted:
    entries = any_of(
        _event("apnoea", "arrest")(line),
        _action(line, "ventilated", "cpr", "defibrillation", "airway_device"),
        listed(line, "monitoring", "breathing_checks", lambda check: check.breathing in ("agonal", "absent")),
    )
    return _or_else(entries, _complication(line, "apnoea", "cardiac_arrest"))


def _seizure(line: Timeline) -> Charted:
    return _or_else(_event("seizure")(line), _complication(line, "seizure"))


def _vomiting(line: Timeline) -> Charted:
    return _or_else(_event("vomiting")(line), _complication(line, "aspiration"))


def _other_device(line: Timeline) -> Charted:
    return any_of(
        listed(line, "custody", "devices", lambda device: True),
        listed(line, "application", "limbs", lambda limb: type(limb.device) is not Absent and limb.device not in _SOFT),
        _posture_hobbled(line),
    )


def _leather(line: Timeline) -> Charted:
    return any_of(
        _other_device(line),
        listed(line, "application", "limbs", lambda limb: limb.device == "padded_leather"),
    )


def _posture_hobbled(line: Timeline) -> Charted:
    return listed(line, "postures", None, lambda p: p.posture == "hobbled")


def _face_cover(line: Timeline) -> Charted:
    return listed(line, "custody", "face_covers", lambda cover: True)


def _no_officer(line: Timeline) -> Charted:
    custody = line.episode.custody
    if type(custody) is Absent:
        return Charted(False if custody.state == "missing" else None, custody.state, (place(line.episode, "custody"),))
    if custody.officer in ("following", "none") or custody.key_at_hand is False:
        return Charted(True, "recorded", (place(custody, "officer"), place(custody, "key_at_hand")))
    places = (place(custody, "officer"), place(custody, "key_at_hand"))
    for value in (custody.officer, custody.key_at_hand):
        if type(value) is Absent and value.state != "missing":
            return Charted(None, value.state, places)
    return Charted(False, "recorded", places)


def left_alone(line: Timeline) -> Charted:
    """Whether an event or a seat in the cab says that nobody was with the patient."""
    return any_of(
        _event("left_unattended")(line),
        listed(line, "monitoring", "observation", lambda span: span.seat == "front_cab"),
    )


def _limb_abnormal(line: Timeline) -> Charted:
    return any_of(_event("limb_complaint")(line), listed(line, "monitoring", "limb_checks", _limb_not_well))


def _limb_not_well(check: record.LimbCheck) -> bool:
    refill = check.cap_refill_s
    return (
        check.pulse in ("weak", "absent")
        or check.motor in ("reduced", "absent")
        or check.sensation in ("reduced", "absent")
        or check.skin in ("pale", "blue", "cold", "swollen", "broken")
        or check.cap_refill_other_side == "longer"
        or (type(refill) is not Absent and refill > 2)
    )


def _patient_injured(line: Timeline) -> Charted:
    return _or_else(
        listed(line, "injuries", "patient", lambda injury: True),
        _event("bleeding", "fall")(line),
    )


def _crew_injured(line: Timeline) -> Charted:
    return listed(line, "injuries", "crew", lambda injury: True)


def after_seizure(line: Timeline) -> Charted:
    """Whether a seizure is charted, and what was done for the airway after it."""
    done = _action(line, "oxygen_given", "airway_opened", "suction", "airway_device", "ventilated")
    return done if _event("seizure")(line).answer else Charted(False, "recorded", ())


def _released(line: Timeline) -> Charted:
    handover = line.episode.handover
    off = (
        listed(line, "application", "limbs", lambda limb: type(limb.off) is not Absent),
        listed(line, "custody", "devices", lambda device: type(device.off) is not Absent),
        listed(line, "custody", "face_covers", lambda cover: type(cover.off) is not Absent),
        _action(line, "loosened", "removed", "restraints_removed", "face_cover_removed"),
    )
    state = handover.restraint_state
    if type(handover) is not Absent and type(state) is not Absent and state != "on":
        return Charted(True, "recorded", (place(handover, "restraint_state"),))
    return any_of(*off)


#: (family, part) -> what of the record tells the same. A family that is not here is held against nothing.
CHARTED: dict[tuple[str, str], Callable[[Timeline], Charted]] = {
    ("position", ""): _posture,
    ("weight", ""): _weight,
    ("breathing", ""): _breathing,
    ("quiet", ""): _quiet,
    ("apnoea", ""): _apnoea,
    ("seizure", ""): _seizure,
    ("vomiting", ""): _vomiting,
    ("device", "restraint"): _other_device,
    ("device", "leather"): _leather,
    ("device", "face_cover"): _face_cover,
    ("key", ""): _no_officer,
    ("left_alone", ""): left_alone,
    ("limb_abnormal", ""): _limb_abnormal,
    ("injury_patient", ""): _patient_injured,
    ("injury_crew", ""): _crew_injured,
    ("release", ""): _released,
}
