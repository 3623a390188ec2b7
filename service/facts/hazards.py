"""What was done, or left on, although another place of the record speaks against it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping

from service.episode import record
from service.episode.absence import Absent
from service.episode.drugs import DRUGS

from .compared import Compared, Spot
from .entries import items
from .timeline import ROUNDING, Timeline, applied_here, limb_of

#: Injuries that a strap or a cuff on the same limb makes worse.
_BONE_OR_JOINT = frozenset({"fracture", "dislocation"})
_SUGAR = frozenset({"dextrose", "glucagon", "oral_sugar"})
#: Glucose in mg/dL under which it may itself be the cause of the behavior (domain.md 13).
_LOW_GLUCOSE = 60
#: Seconds that straps may take to come off once release was decided (common practice).
_TAKING_OFF = 600
#: Weeks of pregnancy from which the womb stands over the pelvis (common practice; 20 for the flat position too).
_LATE_PREGNANCY = 20
#: Drugs given for a dystonia (Rhode Island protocol and most others: diphenhydramine).
_FOR_DYSTONIA = "diphenhydramine"


def _injured_limbs(line: Timeline) -> Iterator[Compared]:
    hurt = {
        limb_of(injury.side, injury.site): injury
        for injury in items(line.episode.injuries.patient)
        if injury.when == "before_contact" and injury.kind in _BONE_OR_JOINT
        if type(injury.side) is not Absent and type(injury.site) is not Absent
    }
    own = [(limb_of(item.side, item.site), item) for item in items(line.limb_items) if applied_here(item)]
    police = [(limb.limb, device) for limb in line.limbs.values() for device in limb.police]
    if not own and not police:
        return
    for limb, injury in hurt.items():
        spots: list[Spot] = [(device,) for name, device in (*own, *police) if name == limb]
        yield Compared(((injury,), *spots), bool(spots))


def _low_sugar(line: Timeline) -> Iterator[Compared]:
    """A sedative for behavior, given after a low glucose and before any sugar."""
    readings = [(t, v) for t, v in line.sets if _low(v) is not None]
    given = [
        t for a in items(line.episode.monitoring.actions) if a.action in _SUGAR and (t := a.time.epoch) is not None
    ]
    for dose in items(line.dose_items):
        time = dose.time.epoch
        if time is None or dose.reason == "seizure" or not (dose.drug in DRUGS and DRUGS[dose.drug].sedative):
            continue
        before = [(t, v) for t, v in readings if t <= time]
        if before:
            at, vital = before[-1]
            treated = any(at - ROUNDING <= t <= time for t in given)
            member = "glucose_mg_dl" if type(vital.glucose_mg_dl) is not Absent else "glucose_reading"
            yield Compared(((dose,), (vital, member)), _low(vital) is True and not treated)  # type: ignore[arg-type]


def _low(vital: record.VitalSet) -> bool | None:
    if type(vital.glucose_mg_dl) is not Absent:
        return vital.glucose_mg_dl < _LOW_GLUCOSE
    return None if type(vital.glucose_reading) is Absent else vital.glucose_reading == "low"


def _belt(line: Timeline) -> Iterator[Compared]:
    patient, belts = line.episode.patient, items(line.episode.stretcher.belts)
    if type(patient) is Absent or type(patient.pregnant) is Absent:
        return
    weeks = patient.gestation_weeks
    late = patient.pregnant is True and (type(weeks) is Absent or weeks >= _LATE_PREGNANCY)
    for belt in belts:
        yield Compared(((belt,), (patient, "pregnant")), late and belt.place == "abdomen")


def _release(line: Timeline) -> Iterator[Compared]:
    """Release decided, not taken back, and a strap of this crew that stayed on well after it."""
    looks = items(line.episode.reassessments)
    for look in looks:
        time = look.time.epoch
        if look.decision != "release" or time is None:
            continue
        back = any(other.decision == "continue" and (other.time.epoch or 0) > time for other in looks)
        kept = [
            item
            for item in items(line.limb_items)
            if (on := item.on.epoch) is not None
            and on <= time
            and (end := line.end_of(item.off)[0]) is not None
            and end > time + _TAKING_OFF + ROUNDING
        ]
        yield Compared(((look,), *[(item,) for item in kept]), bool(kept) and not back)


def _refusal(line: Timeline) -> Iterator[Compared]:
    decision, ended = line.episode.decision, line.episode.transport.ended
    if type(decision) is Absent or type(ended) is Absent or type(decision.capacity) is Absent:
        return
    yield Compared(((decision, "capacity"), (ended, "how")), ended.how == "refused" and decision.capacity == "absent")


def _dystonia(line: Timeline) -> Iterator[Compared]:
    doses = items(line.dose_items)
    actions = items(line.episode.monitoring.actions)
    treated = any(d.drug == _FOR_DYSTONIA for d in doses) or any(a.action == "drug_for_adverse_effect" for a in actions)
    for told in items(line.episode.injuries.complications):
        yield Compared(((told,),), told.complication == "dystonia" and not treated)
    for dose in doses:
        if type(dose.adverse_effects) is not Absent:
            yield Compared(((dose, "adverse_effects"),), "dystonia" in dose.adverse_effects and not treated)


#: Name of the comparison -> what makes it.
HAZARDS: Mapping[str, Callable[[Timeline], Iterable[Compared]]] = {
    "injured_limb_and_device": _injured_limbs,
    "low_sugar_and_sedative": _low_sugar,
    "belt_and_pregnancy": _belt,
    "release_and_straps": _release,
    "refusal_and_capacity": _refusal,
    "dystonia_and_drug": _dystonia,
}
