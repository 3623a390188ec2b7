"""Facts about single items: sections, devices, belts, people, postures, body weight, checks, doses, drugs."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterator
from operator import itemgetter
from typing import Any

from service.episode import declaration, drugs, record
from service.episode.absence import NOT_COLLECTED, Absent
from service.episode.drugs import DRUGS
from service.episode.member_names import MemberName
from service.episode.moment import Moment
from service.episode.words import LIMBS

from . import intervals, scales
from .builder import FactBuilder, scaled, state_of
from .fact import Evidence, place
from .timeline import ROUNDING, Timeline, applied_here, items, limb_of, parenteral, unknown_end

#: Seconds after a sedative by which an agitation score and a set of vital signs are due.
SCORE_DUE = 15 * 60
VITALS_DUE = 5 * 60
#: Systolic pressure in mmHg under which a flat posture has a reason.
LOW_PRESSURE = 90


_OWNERS: dict[type, dict[str, tuple[MemberName, MemberName | None]]] = {}


def _owners(cls: type) -> dict[str, tuple[MemberName, MemberName | None]]:
    """Attribute (without the name of the section) -> the member it comes from, as (member, member of that part or None)."""
    if cls not in _OWNERS:
        out: dict[str, tuple[MemberName, MemberName | None]] = {}
        for member in declaration.members(cls):
            if member.name in declaration.NOT_ASKED:
                continue
            out[member.name] = (member.name, None)
            if isinstance(member.kind, declaration.Codes):
                out |= {
                    f"{member.name}_has_{word.replace('-', '_')}": (member.name, None) for word in member.kind.words
                }
            elif isinstance(member.kind, declaration.Part):
                inner = [m.name for m in declaration.members(member.kind.of) if m.name not in declaration.NOT_ASKED]
                out |= {f"{member.name}_{name}": (member.name, name) for name in inner}
        _OWNERS[cls] = out
    return _OWNERS[cls]


class _MemberPlaces(dict[str, tuple[Evidence, ...]]):
    """The evidence of a section's attributes, made when a finding asks for it."""

    def __init__(self, node: declaration.Node, section: str) -> None:
        super().__init__()
        self._node, self._skip = node, len(section) + 1

    def get(self, attribute: str, default: Any = None) -> Any:
        """The places of an attribute, else ``default``."""
        if attribute in self:
            return self[attribute]
        owner = _owners(type(self._node)).get(attribute[self._skip :])
        if owner is None:
            return default
        inner = getattr(self._node, owner[0])
        if owner[1] is None or type(inner) is Absent:
            return (place(self._node, owner[0]),)
        return (place(inner, owner[1]),)


def sections(line: Timeline) -> Iterator[FactBuilder]:
    """One fact a section, absent ones too, with its members as attributes."""
    episode, wanted = line.episode, line.wanted("section")
    for member in declaration.members(record.Episode):
        if member.name == "episode_ref":
            continue
        value = getattr(episode, member.name)
        where = place(episode, member.name)
        fact = FactBuilder("section", member.name, (where,))
        fact.know(section=member.name)
        fact.set("section_present", value if type(value) is Absent else True)
        if isinstance(value, declaration.Node):
            fact.members(value, wanted, f"{member.name}_")
            fact.evidence = _MemberPlaces(value, member.name)
        elif isinstance(value, tuple):
            fact.set(member.name, len(value))
        elif type(value) is Absent:
            inside = _owners(member.kind.of) if isinstance(member.kind, declaration.Part) else {}
            fact.unknown([f"{member.name}_{name}" for name in inside], value.state)
            if isinstance(member.kind, declaration.Items):
                fact.set(member.name, value)
        if member.name == "monitoring":
            _monitoring(fact, line)
        if member.name == "handover":
            off = [item.off for item in items(line.limb_items)]
            fact.set("devices_off_charted", bool(off) and all(type(time) is not Absent for time in off))
        yield fact


def _monitoring(fact: FactBuilder, line: Timeline) -> None:
    watch = line.episode.monitoring
    vitals, checks = watch.vitals, watch.limb_checks
    if type(vitals) is Absent:
        fact.set("vitals_after_contact", vitals)
    else:
        ours = [v for v in vitals if line.ours(v.before_care, v.time.epoch)]
        fact.set("vitals_after_contact", len(ours))
        fact.evidence["vitals_after_contact"] = fact.evidence.get("monitoring_vitals", ())
    first = line.sedatives[0] if line.sedatives else None
    fact.set(
        "breathing_measured",
        any(
            type(v.rr) is not Absent and (type(v.etco2_mmhg) is not Absent or type(v.etco2_waveform) is not Absent)
            for time, v in line.sets
            if first is not None and time >= first
        ),
    )
    entries: tuple[record.VitalSet | record.LimbCheck | record.BreathingCheck | record.Action | record.Event, ...] = (
        *items(vitals), *items(checks), *items(watch.breathing_checks), *items(watch.actions), *items(watch.events)
    )  # fmt: skip
    untimed = [entry for entry in entries if type(entry.time) is Absent and entry.time.state == "missing"]
    fact.set("untimed_entries", len(untimed))
    fact.evidence["untimed_entries"] = tuple(place(entry) for entry in untimed)
    watched = watch.observation
    if type(watched) is Absent:
        fact.set("observation_out_of_view", watched)
    else:
        away = [o for o in watched if o.seat in ("behind_out_of_view", "front_cab") or o.limbs_in_view is False]
        fact.set("observation_out_of_view", bool(away))
        fact.evidence["observation_out_of_view"] = tuple(place(o) for o in away)
    if type(checks) is Absent:
        fact.set("limb_checks_on_restrained", checks)
    else:
        fact.set("limb_checks_on_restrained", sum(any(limb in line.limbs for limb in line.checked(c)) for c in checks))
        fact.evidence["limb_checks_on_restrained"] = fact.evidence.get("monitoring_limb_checks", ())


def _stretch(
    fact: FactBuilder,
    line: Timeline,
    start: int | None,
    end: int | None,
    care: str | Absent,
    times: tuple[Moment | Absent, ...],
) -> None:
    """Set in_care, found_so, end_charted, duration (s) and after_contact (s) of something that lasts."""
    found = care in ("found_at_contact", "before_contact")
    if type(care) is Absent:
        found = start is not None and line.contact is not None and start < line.contact
    fact.know(found_so=found, in_care=not found, end_charted=end is not None)
    fact.derive("duration", None if start is None or end is None else max(0, end - start), *times)
    after = None if end is None or line.contact is None else max(0, end - line.contact)
    fact.set("after_contact", after)
    fact.set("after_contact_sure", None if after is None else max(0, after - ROUNDING))
    latest = end if end is not None else line.last
    fact.set(
        "after_contact_so_far",
        None if latest is None or line.contact is None else max(0, latest - line.contact - ROUNDING),
    )
    if start is not None:
        fact.span = (start, end if end is not None else start)


def postures(line: Timeline) -> Iterator[FactBuilder]:
    """One fact a posture; it lasts to its own end, else to the start of the next one."""
    listed = items(line.episode.postures)
    starts = [t for t, _ in line.postures]
    pressures = [
        (t, v.sbp)
        for v in items(line.episode.monitoring.vitals)
        if type(v.sbp) is not Absent and (t := v.time.epoch) is not None
    ]
    for posture in listed:
        fact = FactBuilder("posture", posture.posture, (place(posture),))
        fact.members(posture, line.wanted("posture"))
        start, own_end = posture.start.epoch, posture.end.epoch
        following = next((t for t in starts if start is not None and t > start), None)
        end = own_end if own_end is not None else following
        _stretch(fact, line, start, end, posture.care, (posture.start, posture.end))
        last = end if end is not None else line.care_end
        if start is None:
            fact.unknown(("after_loading", "in_transport", "restrained"), "missing")
        else:
            fact.set("after_loading", None if line.loaded is None else last is None or last > line.loaded)
            fact.set("in_transport", line.in_transport(start, last))
            stretch = (start, last if last is not None else start)
            fact.set("restrained", bool(intervals.clip(line.restrained, *stretch)))
        fact.set("elevation", posture.head_elevation_deg)
        fact.set(
            "low_pressure",
            any(start is not None and abs(t - start) <= 600 and sbp < LOW_PRESSURE for t, sbp in pressures),
        )
        fact.set("reason_charted", type(posture.reason) is not Absent)
        line.set_at(fact, start)
        yield fact


def body_weights(line: Timeline) -> Iterator[FactBuilder]:
    """One fact for each place on which body weight rested."""
    for item in items(line.episode.application.body_weight):
        fact = FactBuilder("body_weight", item.place, (place(item),))
        fact.members(item, line.wanted("body_weight"))
        _stretch(fact, line, item.start.epoch, item.end.epoch, item.care, (item.start, item.end))
        yield fact


def devices(line: Timeline) -> Iterator[FactBuilder]:
    """One fact for each device on a limb, police device and face cover."""
    episode = line.episode
    checkers = {p.id for p in items(episode.team.members) if isinstance(p.id, str)}
    for item in items(line.limb_items):
        limb = limb_of(item.side, item.site)
        fact = _device(line, item, "limb_restraint", item.device, f"limb:{limb}:{item.site}")
        fact.set("limb", limb)
        fact.know(applied_here=applied_here(item), secured_after_start=type(item.on) is not Absent)
        # Not said who put it on: a device in this unit's list is its own.
        fact.know(by_this_service=applied_here(item))
        fact.set(
            "cross_checked",
            item.checked_by if type(item.checked_by) is Absent else not checkers or item.checked_by in checkers,
        )
        yield fact
    for device in items(line.police_items):
        fact = _device(line, device, "police", device.device, f"police:{device.device}")
        fact.set("by_this_service", False)
        fact.set("officer", episode.custody.officer)
        fact.set("key_at_hand", episode.custody.key_at_hand)
        fact.evidence["officer"] = (*fact.pointers, place(episode.custody, "officer"))  # type: ignore[arg-type]
        fact.evidence["key_at_hand"] = (*fact.pointers, place(episode.custody, "key_at_hand"))  # type: ignore[arg-type]
        yield fact
    for cover in items(episode.custody.face_covers):
        fact = _device(line, cover, "face_cover", cover.cover, f"face:{cover.cover}")
        flow = cover.oxygen_l_min
        fact.set("oxygen_flowing", flow if type(flow) is Absent else flow > 0)
        yield fact


def _device(
    line: Timeline,
    item: record.LimbRestraint | record.PoliceDevice | record.FaceCover,
    group: str,
    name: str | Absent,
    key: str,
) -> FactBuilder:
    fact = FactBuilder("device", key, (place(item),))
    fact.members(item, line.wanted("device"))
    fact.know(device_group=group)
    fact.set("name", name)
    start, end = item.on.epoch, item.off.epoch
    last = end if end is not None else line.care_end
    if end is not None and line.contact is not None:
        fact.set("in_care", end > line.contact)
    else:
        fact.set("in_care", True)
    reach = start if start is not None else line.contact
    if reach is None or unknown_end(item.off, item.replaced if isinstance(item, record.PoliceDevice) else None):
        fact.unknown(("in_transport", "after_loading"), "missing")
    else:
        fact.set("in_transport", line.in_transport(reach, last))
        fact.set("after_loading", None if line.loaded is None else last is None or last > line.loaded)
        fact.span = (reach, max(reach, last if last is not None else reach))
    line.set_at(fact, start)
    return fact


def belts(line: Timeline) -> Iterator[FactBuilder]:
    """One fact a belt."""
    for belt in items(line.episode.stretcher.belts):
        fact = FactBuilder("belt", belt.place, (place(belt),))
        fact.members(belt, line.wanted("belt"))
        fact.set("on_chest", belt.place in ("chest", "abdomen"))
        yield fact


def people(line: Timeline) -> Iterator[FactBuilder]:
    """One fact a person of the team."""
    for person in items(line.episode.team.members):
        fact = FactBuilder("person", "person", (place(person),))
        fact.members(person, line.wanted("person"))
        roles = person.roles
        fact.set("holds_limb", roles if type(roles) is Absent else bool(set(roles) & set(LIMBS)))
        fact.set("roles_charted", roles if type(roles) is Absent else len(roles))
        fact.evidence["roles_charted"] = (place(person, "roles"),)
        yield fact


def checks(line: Timeline) -> Iterator[FactBuilder]:
    """One fact for all checks of one limb that read alike: six checks that all lack the pulse are one finding."""
    groups: dict[tuple[Any, ...], list[record.LimbCheck]] = {}
    for check in items(line.episode.monitoring.limb_checks):
        time = check.time.epoch
        found = [line.limbs[name] for name in line.checked(check) if name in line.limbs]
        if not found:
            restrained: bool | None = False
        elif time is None or not all(limb.known for limb in found):
            restrained = None
        else:
            restrained = any(intervals.inside(time, limb.spans) for limb in found)
        after = None if time is None or line.control is None else time >= line.control
        alike = (restrained, after, time is None, type(check.by) is Absent, _ALIKE(check))
        groups.setdefault(alike, []).append(check)
    for (restrained, after, *_), same in groups.items():
        yield _check(line, same, restrained, after)


#: The members in which checks that are one fact are equal.
_ALIKE = declaration.getter(
    ("side", "site", "pulse", "cap_refill_s", "cap_refill_other_side", "motor", "sensation", "skin", "not_done")
)


def _check(line: Timeline, same: list[record.LimbCheck], restrained: bool | None, after: bool | None) -> FactBuilder:
    check = same[0]
    limb = limb_of(check.side, check.site)
    fact = FactBuilder("check", limb, tuple(place(each) for each in same))
    fact.members(check, line.wanted("check"))
    fact.know(limb=limb, attempted=type(check.not_done) is not Absent)
    pulse, refill = check.pulse, check.cap_refill_s
    if type(pulse) is not Absent or type(refill) is not Absent or "declined" in (pulse.state, refill.state):
        fact.know(circulation_charted=True)
    elif "not_collected" in (pulse.state, refill.state):
        fact.set("circulation_charted", None, "not_collected")
    else:
        fact.know(circulation_charted=False)
    states = [x.state for x in (check.motor, check.sensation) if type(x) is Absent]
    if "not_collected" in states:
        fact.set("motor_and_sensation_charted", None, "not_collected")
    else:
        fact.know(motor_and_sensation_charted="missing" not in states)
    fact.set("refill", refill if type(refill) is Absent else scaled(refill, "s"))
    fact.set("limb_restrained", restrained)
    fact.set("after_control", after)
    return fact


def doses(line: Timeline) -> Iterator[FactBuilder]:
    """One fact a dose, with what stood before and what came after it."""
    episode = line.episode
    weight = episode.patient.weight_kg
    basis = episode.patient.weight_basis
    allergies = episode.patient.allergies
    pressures = sorted(
        (t, v.sbp)
        for v in items(episode.monitoring.vitals)
        if (t := v.time.epoch) is not None and type(v.sbp) is not Absent
    )
    scores = charted_times(line.vitals, ("agitation_score",), line)
    signs = charted_times(line.vitals, ("hr", "rr", "spo2", "sbp", "etco2_mmhg"), line)
    given: dict[str, list[tuple[int, str]]] = {}
    for dose in items(line.dose_items):
        if (time := dose.time.epoch) is not None:
            given.setdefault(dose.drug, []).append((time, dose.at))
    for times in given.values():
        times.sort()
    for dose in items(line.dose_items):
        fact = FactBuilder("dose", dose.drug, (place(dose),))
        fact.members(dose, line.wanted("dose"))
        drug, time = DRUGS.get(dose.drug), dose.time.epoch
        group = None if type(dose.route) is Absent else drugs.ROUTE_GROUP.get(dose.route, "other")
        fact.derive("route_group", group, dose.route)
        for name, known in (
            ("sedative", drug.sedative if drug else None),
            ("by_weight", drug.by_weight if drug else None),
        ):
            fact.set(name, known, "not_collected")
        for family in ("benzodiazepine", "antipsychotic", "opioid"):
            fact.set(family, drug.family == family if drug else None, "not_collected")
        _amounts(fact, dose, weight)
        fact.set("weight", weight if type(weight) is Absent else scaled(weight, "kg"))
        fact.set("weight_basis", basis)
        number = 0 if time is None else bisect_left(given[dose.drug], (time, dose.at))
        earlier = given[dose.drug][number - 1][0] if number else None
        fact.derive("repeat", None if time is None else earlier is not None, dose.time)
        fact.set("since_same_drug", time - earlier if earlier is not None and time is not None else None)
        number = 0 if time is None else bisect_right(pressures, time, key=itemgetter(0))
        before = pressures[number - 1] if number else None
        fact.set("sbp_before", before[1] if before and (earlier is None or before[0] >= earlier) else None)
        _after(fact, line, time, "score", scores, SCORE_DUE, state_of(dose.time))
        _after(fact, line, time, "vitals", signs, VITALS_DUE, state_of(dose.time))
        fact.set("allergy", allergies if type(allergies) is Absent else dose.drug in allergies)
        mixed = dose.mixed_with
        fact.set("mixed_badly", mixed if type(mixed) is Absent else _mixed_badly({dose.drug, *mixed}))
        if time is not None:
            fact.span = (time, time)
        line.set_at(fact, time)
        yield fact


def _mixed_badly(syringe: set[str]) -> bool:
    return "diphenhydramine" in syringe and bool(syringe & {"haloperidol", "droperidol"})


def _amounts(fact: FactBuilder, dose: record.Dose, weight: float | Absent) -> None:
    names = ("mg", "mg_per_kg", "mg_per_kg_tolerant")
    if type(dose.dose) is Absent or type(dose.unit) is Absent:
        fact.unknown(names, state_of(dose.dose, dose.unit))
        return
    kg = None if type(weight) is Absent else weight
    mg = drugs.dose_mg_100(dose.dose, dose.unit, kg)
    fact.set("mg", mg, state_of(weight) if dose.unit in drugs.PER_KG else "not_collected")
    if dose.unit in drugs.PER_KG:
        per_kg: int | None = drugs.half_up(dose.dose * drugs.PER_KG[dose.unit] * 100)
    else:
        per_kg = drugs.per_kg_100(mg, kg) if mg is not None and kg is not None else None
    fact.derive("mg_per_kg", per_kg, weight)
    fact.derive("mg_per_kg_tolerant", None if per_kg is None else drugs.tolerant(per_kg), weight)


def _after(
    fact: FactBuilder, line: Timeline, time: int | None, name: str, listed: list[int] | Absent, due: int, state: str
) -> None:
    """Set <name>_due, <name>_after (s), <name>_after_sure (s) and no_<name>_after: whether something followed a dose.

    ``listed``: the times at which it was charted. ``due``: seconds after the
    dose by which it is due. ``state``: that of the attributes without a time.
    """
    names = (f"{name}_due", f"{name}_after", f"{name}_after_sure", f"no_{name}_after")
    if time is None:
        fact.unknown(names, state)
        return
    if type(listed) is Absent:
        fact.unknown(names[1:], listed.state)
    else:
        number = (bisect_left if name == "vitals" else bisect_right)(listed, time)
        following = listed[number] if number < len(listed) else None
        fact.set(names[1], None if following is None else following - time)
        fact.set(names[2], None if following is None else max(0, following - time - ROUNDING))
        fact.set(names[3], following is None)
    if line.care_end is not None:
        fact.set(names[0], line.care_end - time >= due)
    elif line.last is not None and line.last - time >= due + ROUNDING:
        fact.set(names[0], True)
    else:
        fact.set(names[0], None)


def charted_times(
    vitals: tuple[record.VitalSet, ...] | Absent, members: tuple[MemberName, ...], line: Timeline
) -> list[int] | Absent:
    """Times of the sets in which one of the members is recorded, or declined with a reason that holds (``meets_duty``).

    An Absent where ``vitals`` is one, or where the sender's system has no place for any of the members.
    """
    if type(vitals) is Absent:
        return vitals
    found: list[int] = []
    for vital in vitals:
        time = vital.time.epoch
        if time is not None:
            for member in members:
                value = getattr(vital, member)
                if type(value) is not Absent or meets_duty(value, time, line):
                    found.append(time)
                    break
    if not found and vitals:
        states = {v.state for vital in vitals for m in members if type(v := getattr(vital, m)) is Absent}
        if states == {"not_collected"}:
            return NOT_COLLECTED
    return sorted(found)


def meets_duty(value: object, time: int, line: Timeline) -> bool:
    """Whether a member meets a duty at a time: recorded, or declined with a reason that holds then.

    "Unsafe to attempt" holds before control only.
    """
    if type(value) is not Absent:
        return True
    if value.state != "declined":
        return False
    return value.reason != "unsafe_to_attempt" or line.control is None or time < line.control


def drug_totals(line: Timeline) -> Iterator[FactBuilder]:
    """One fact for each drug: all its doses together."""
    weight = line.episode.patient.weight_kg
    kg = None if type(weight) is Absent else weight
    by_drug: dict[str, list[record.Dose]] = {}
    for dose in items(line.dose_items):
        by_drug.setdefault(dose.drug, []).append(dose)
    benzodiazepines = [
        parenteral(d.route)
        for name, given in by_drug.items()
        if name in DRUGS and DRUGS[name].family == "benzodiazepine"
        for d in given
    ]
    for name, given in by_drug.items():
        fact = FactBuilder("drug", name, tuple(place(d) for d in given))
        fact.know(drug=name, doses=len(given))
        amounts = [
            None if type(d.dose) is Absent or type(d.unit) is Absent else drugs.dose_mg_100(d.dose, d.unit, kg)
            for d in given
        ]
        routes = [None if type(d.route) is Absent else drugs.ROUTE_GROUP.get(d.route, "other") for d in given]
        inputs = [x for d in given for x in (d.dose, d.unit)]
        fact.derive("total", None if None in amounts else sum(a or 0 for a in amounts), *inputs, weight)
        im = [a for a, r in zip(amounts, routes, strict=True) if r == "im"]
        ways = [d.route for d in given]
        fact.set(
            "total_im",
            None if None in routes or None in im else sum(a or 0 for a in im),
            state_of(*ways) if None in routes else state_of(*inputs, weight),
        )
        at = sorted(t for d in given if (t := d.time.epoch) is not None)
        gaps = [b - a for a, b in zip(at, at[1:], strict=False)]
        fact.set("shortest_interval", min(gaps) if gaps and len(at) == len(given) else None)
        fact.derive("im", True if "im" in routes else None if None in routes else False, *ways)
        fact.set(
            "with_parenteral_benzodiazepine",
            True if True in benzodiazepines else None if None in benzodiazepines else False,
        )
        if at:
            fact.span = (at[0], at[-1])
        yield fact


def full_set(vital: record.VitalSet) -> tuple[int, int, int, int] | None:
    """(hr, rr, spo2, sbp) of a complete set, else None."""
    found = (vital.hr, vital.rr, vital.spo2, vital.sbp)
    return None if any(type(x) is Absent for x in found) else found  # type: ignore[return-value]


def news2(vital: record.VitalSet, scale2: bool) -> tuple[int, ...] | None:
    """The points of the seven parts of NEWS2 of one set, None when one cannot be told."""
    four = full_set(vital)
    if (
        four is None
        or type(vital.temperature_c) is Absent
        or type(vital.acvpu) is Absent
        or type(vital.oxygen) is Absent
    ):
        return None
    hr, rr, spo2, sbp = four
    return scales.news2_parts(
        rr=rr, spo2=spo2, oxygen=vital.oxygen == "oxygen", sbp=sbp, hr=hr, alert=vital.acvpu == "alert",
        temperature=int(round(vital.temperature_c * 10, 4) + 0.5), scale2=scale2,
    )  # fmt: skip
