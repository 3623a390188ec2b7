"""Places of the record that must agree with each other.

For every comparison there is one fact for each group of places that disagree;
where places could be compared and none disagree, one fact says so. Where
nothing could be compared there is no fact.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator

from service.episode import declaration, record
from service.episode.absence import Absent
from service.episode.declaration import Node
from service.episode.member_names import MemberName
from service.episode.moment import Moment

from . import intervals
from .builder import FactBuilder
from .compared import Compared, Spot, each
from .disagreements import DISAGREEMENTS
from .entries import items
from .fact import place
from .hazards import HAZARDS
from .outside_care import OUTSIDE_CARE
from .summaries import SUMMARIES
from .timeline import ROUNDING, Timeline, applied_here

_OTHER_SIDE = {"right_arm": "left_arm", "left_arm": "right_arm", "right_leg": "left_leg", "left_leg": "right_leg"}
#: Members that findings rest on: a change of one after closing matters.
_DECISIVE = (
    "time",
    "on",
    "off",
    "start",
    "end",
    "completed",
    "started",
    "departed",
    "arrived",
    "weight_kg",
    "dose",
    "unit",
    "agitation_score",
    "posture",
)


_gcs_of = declaration.getter(("gcs_eye", "gcs_verbal", "gcs_motor", "gcs_total"))


def _gcs(line: Timeline) -> Iterator[Compared]:
    return each(items(line.episode.monitoring.vitals), _gcs_of, _sum)


def _sum(v: record.VitalSet) -> Iterator[Compared]:
    """Whether the parts add up to the total."""
    score = _gcs_of(v)
    if Absent not in map(type, score):
        places: tuple[Spot, ...] = ((v, "gcs_eye"), (v, "gcs_verbal"), (v, "gcs_motor"), (v, "gcs_total"))
        yield Compared(places, sum(score[:3]) != score[3])


def _limb_off_before_on(line: Timeline) -> list[Compared]:
    return _order(items(line.limb_items), "on", "off")


def _order(listed: Iterable[Node], first: MemberName, second: MemberName) -> list[Compared]:
    """Every object whose ``second`` time is before its ``first``, and the first one in order."""
    found: list[Compared] = []
    for item in listed:
        start, end = getattr(item, first).epoch, getattr(item, second).epoch
        if start is not None and end is not None and (end < start or not found):
            found.append(Compared(((item, first), (item, second)), end < start))
    return found


def _span_backwards(line: Timeline) -> list[Compared]:
    episode, monitoring = line.episode, line.episode.monitoring
    found: list[Compared] = []
    spans: tuple[tuple[tuple[Node, ...] | Absent, MemberName, MemberName], ...] = (
        (episode.application.holds, "start", "end"),
        (episode.application.body_weight, "start", "end"),
        (episode.postures, "start", "end"),
        (monitoring.capnography, "start", "end"),
        (monitoring.oximetry, "start", "end"),
        (monitoring.ecg, "start", "end"),
        (monitoring.observation, "start", "end"),
        (monitoring.events, "time", "end"),
        (episode.custody.devices, "on", "off"),
        (episode.custody.face_covers, "on", "off"),
        (episode.stretcher.belts, "on", "off"),
    )
    for listed, first, second in spans:
        if listed:
            found += _order(items(listed), first, second)
    return found


def _check_on_free_limb(line: Timeline) -> Iterator[Compared]:
    """One comparison for each limb: its checks from when it was secured on, those on a free limb if there are any."""
    if type(line.limb_items) is Absent:
        return
    for name, checks in line.checks.items():
        limb = line.limbs.get(name)
        if not checks or (limb is not None and not limb.known):
            continue
        spans = [(start - ROUNDING, end + ROUNDING) for start, end in limb.spans] if limb is not None else []
        # A check before the limb was secured is good practice, not a contradiction.
        secured = limb.spans[0][0] if limb is not None and limb.spans else None
        stray = [
            check
            for time, check in checks
            if (secured is None or time >= secured) and not intervals.inside(time, spans)
        ]
        yield Compared(tuple((check,) for check in stray or [checks[0][1]]), bool(stray))


def _check_on_wrong_side(line: Timeline) -> Iterator[Compared]:
    """A check on a limb that was free, while the same limb of the other side was restrained and had none then."""
    for name, checks in line.checks.items():
        limb, other = line.limbs.get(name), line.limbs.get(_OTHER_SIDE[name])
        if other is None or not other.known or (limb is not None and not limb.known):
            continue
        own = [(start - ROUNDING, end + ROUNDING) for start, end in limb.spans] if limb is not None else []
        of_other = [time for time, _ in line.checks[_OTHER_SIDE[name]]]
        for time, check in checks:
            if check.site != "all" and not intervals.inside(time, own) and intervals.inside(time, other.spans):
                yield Compared(((check,),), not any(abs(time - t) <= 5 * ROUNDING for t in of_other))


def _two_postures(line: Timeline) -> Iterator[Compared]:
    for (start, one), (other_start, other) in zip(line.postures, line.postures[1:], strict=False):
        end = one.end.epoch
        clash = one.posture != other.posture and (
            start == other_start or (end is not None and end - other_start > ROUNDING)
        )
        yield Compared(((one,), (other,)), clash)


def _section_order(line: Timeline) -> Iterator[Compared]:
    episode = line.episode
    known: list[tuple[int, Spot]] = []
    times: tuple[tuple[Node | Absent, Moment | Absent, MemberName], ...] = (
        (episode.transport, episode.transport.at_patient, "at_patient"),
        (episode.transport, episode.transport.departed, "departed"),
        (episode.transport, episode.transport.arrived, "arrived"),
        (episode.handover, episode.handover.time, "time"),
    )
    for node, time, member in times:
        if time.epoch is not None and type(node) is not Absent:
            known.append((time.epoch, (node, member)))
    for (first, one), (second, other) in zip(known, known[1:], strict=False):
        yield Compared((one, other), second < first)
    if type(episode.application) is not Absent:
        yield from _order((episode.application,), "started", "completed")
    if type(episode.chart) is not Absent:
        yield from _order((episode.chart,), "opened", "closed")


def _outside_contact(line: Timeline) -> Iterator[Compared]:
    if line.contact is None and line.care_end is None:
        return
    for item in items(line.limb_items):
        on = item.on.epoch
        if on is None or not applied_here(item):
            continue
        early = line.contact is not None and on < line.contact - ROUNDING
        late = line.care_end is not None and on > line.care_end + ROUNDING
        yield Compared(((item, "on"),), early or late)


def _dose_outside(line: Timeline) -> Iterator[Compared]:
    for dose in items(line.dose_items):
        time = dose.time.epoch
        if time is None or (line.contact is None and line.care_end is None):
            continue
        early = line.contact is not None and time < line.contact - ROUNDING
        late = line.care_end is not None and time > line.care_end + ROUNDING
        yield Compared(((dose, "time"),), early or late)


def _marked_before(line: Timeline) -> Iterator[Compared]:
    monitoring = line.episode.monitoring
    entries: tuple[record.VitalSet | record.Event, ...] = (*items(monitoring.vitals), *items(monitoring.events))
    for entry in entries:
        time = entry.time.epoch
        if entry.before_care is True and time is not None and line.contact is not None:
            yield Compared(((entry, "before_care"), (entry, "time")), time > line.contact + ROUNDING)


def _bars(line: Timeline) -> Iterator[Compared]:
    if not line.secured:
        return
    before = [
        (t, v)
        for v in items(line.episode.monitoring.vitals)
        if v.agitation_scale == "bars"
        and type(v.agitation_score) is not Absent
        and (t := v.time.epoch) is not None
        and t <= line.secured[0]
    ]
    if before:
        vital = max(before, key=lambda pair: pair[0])[1]
        yield Compared(((vital, "agitation_score"),), vital.agitation_score != 7)


def _limb_twice(line: Timeline) -> Iterator[Compared]:
    seen: dict[tuple[str | Absent, str], list[tuple[int, int, record.LimbRestraint]]] = {}
    for item in items(line.limb_items):
        start, end = item.on.epoch, line.end_of(item.off)[0]
        if start is not None and end is not None:
            seen.setdefault((item.side, item.site), []).append((start, end, item))
    for group in seen.values():
        group.sort(key=lambda entry: (entry[0], entry[2].at))
        for one, other in zip(group, group[1:], strict=False):
            yield Compared(((one[2],), (other[2],)), other[0] + ROUNDING < one[1])


def _late_change(line: Timeline) -> Iterator[Compared]:
    chart = line.episode.chart
    for change in items(chart.amendments):
        time = change.time.epoch
        if time is None or line.closed is None or type(change.path) is Absent:
            continue
        late = time > line.closed
        yield Compared(((change,),), late, change.path.rsplit("/", 1)[-1] in _DECISIVE)


def _released_never_on(line: Timeline) -> Iterator[Compared]:
    for item in items(line.limb_items):
        if type(item.off) is not Absent:
            yield Compared(((item, "off"),), type(item.on) is Absent and item.on.state == "missing")


def _given_by(line: Timeline) -> Iterator[Compared]:
    team = line.episode.team
    if type(team) is Absent:
        return
    members = items(team.members)
    known = {p.id for p in members if isinstance(p.id, str)}
    for dose in items(line.dose_items):
        # A member without an id may be the one who gave it: then nobody can tell.
        if isinstance(dose.given_by, str) and known and (dose.given_by in known or len(known) == len(members)):
            yield Compared(((dose, "given_by"), (team, "members")), dose.given_by not in known)


def _doses_and_told(line: Timeline) -> Iterator[Compared]:
    sedation, handover = line.episode.sedation, line.episode.handover
    if type(sedation) is Absent or type(handover) is Absent:
        return
    if type(handover.told) is Absent or type(sedation.doses) is Absent or "sedation" not in handover.told:
        return
    nothing = not sedation.doses and not items(sedation.not_given)
    yield Compared(((sedation, "doses"), (handover, "told")), nothing)


def _transported(line: Timeline) -> Iterator[Compared]:
    transport = line.episode.transport
    if type(transport) is Absent or type(transport.transported) is Absent:
        return
    for member in ("departed", "arrived"):
        if type(getattr(transport, member)) is not Absent:
            yield Compared(((transport, "transported"), (transport, member)), transport.transported is False)


def _officer(line: Timeline) -> Iterator[Compared]:
    custody = line.episode.custody
    if type(custody) is Absent or type(custody.law_enforcement_present) is Absent:
        return
    means: tuple[tuple[MemberName, object, bool], ...] = (
        ("devices", custody.devices, bool(custody.devices)),
        ("officer", custody.officer, custody.officer != "none"),
        ("energy_weapon", custody.energy_weapon, custody.energy_weapon.used is True),
        ("irritant", custody.irritant, custody.irritant.used is True),
    )
    for member, value, used in means:
        if type(value) is not Absent:
            yield Compared(
                ((custody, "law_enforcement_present"), (custody, member)),
                used and custody.law_enforcement_present is False,
            )


def _restraint_state(line: Timeline) -> Iterator[Compared]:
    handover = line.episode.handover
    ours = items(line.limb_items)
    if type(handover) is Absent or type(handover.restraint_state) is Absent or not ours or line.handover is None:
        return
    state = handover.restraint_state
    off_before = [(t := i.off.epoch) is not None and t < line.handover - ROUNDING for i in ours]
    taken_off = type(handover.removed_time) is not Absent
    still_on = any(type(i.off) is Absent and i.off.state == "missing" for i in ours) and not taken_off
    clash = (state == "on" and all(off_before)) or (state == "off" and still_on)
    yield Compared(((handover, "restraint_state"), *((i, "off") for i in ours)), clash)


def _completed(line: Timeline) -> Iterator[Compared]:
    application = line.episode.application
    completed = application.completed.epoch
    if type(application) is Absent or completed is None:
        return
    # What others put on says nothing about when this unit was done.
    own = [on for item in items(line.limb_items) if applied_here(item) and (on := item.on.epoch) is not None]
    if own:
        yield Compared(((application, "completed"),), not -ROUNDING <= completed - max(own) <= 5 * ROUNDING)


def _hands_and_cuffs(line: Timeline) -> Iterator[Compared]:
    postures = [
        (t, p)
        for p in items(line.episode.postures)
        if (t := p.start.epoch) is not None and type(p.arms_behind_back) is not Absent
    ]
    for device in items(line.police_items):
        on, off = device.on.epoch, device.off.epoch
        if device.site not in ("wrists_behind_back", "wrists_in_front") or on is None:
            continue
        behind = device.site == "wrists_behind_back"
        for start, posture in postures:
            if on + ROUNDING < start and (off is None or start + ROUNDING < off):
                yield Compared(
                    ((device, "site"), (posture, "arms_behind_back")), posture.arms_behind_back is not behind
                )


def _death(line: Timeline) -> Iterator[Compared]:
    death = line.episode.injuries.death
    time = death.time.epoch
    if time is None or death.died is not True:
        return
    for at, vital in line.sets:
        # A monitor may count a heart rate without a pulse: breath, pressure and an answer are signs of life.
        signs: tuple[tuple[MemberName, bool], ...] = (
            ("rr", type(vital.rr) is not Absent and vital.rr > 0),
            ("sbp", type(vital.sbp) is not Absent and vital.sbp > 0),
            ("acvpu", vital.acvpu in ("alert", "confused", "voice")),
        )
        for member, alive in signs:
            if type(getattr(vital, member)) is not Absent:
                yield Compared(((death, "time"), (vital, member)), alive and at > time + ROUNDING)
    handover = line.episode.handover
    if line.handover is not None and type(handover) is not Absent:
        yield Compared(((death, "time"), (handover, "time")), time > line.handover + ROUNDING)


_COMPARISONS: dict[str, Callable[[Timeline], Iterable[Compared]]] = {
    "gcs_total": _gcs,
    "limb_off_before_on": _limb_off_before_on,
    "span_backwards": _span_backwards,
    "check_on_free_limb": _check_on_free_limb,
    "check_on_wrong_side": _check_on_wrong_side,
    "two_postures": _two_postures,
    "section_order": _section_order,
    "outside_contact": _outside_contact,
    "bars_not_7": _bars,
    "dose_outside_contact": _dose_outside,
    "marked_before_care": _marked_before,
    "limb_twice": _limb_twice,
    "late_change": _late_change,
    "released_never_on": _released_never_on,
    "given_by_unknown": _given_by,
    "doses_none_and_told": _doses_and_told,
    "transported_and_times": _transported,
    "officer_and_police": _officer,
    "restraint_state_and_limbs": _restraint_state,
    "completed_and_limbs": _completed,
    "hands_behind_and_cuffs": _hands_and_cuffs,
    "death_and_handover": _death,
    **DISAGREEMENTS,
    **HAZARDS,
    **SUMMARIES,
    **OUTSIDE_CARE,
}


def pairs(line: Timeline) -> Iterator[FactBuilder]:
    """One fact for each disagreement, or one for a comparison without any."""
    found: dict[str, list[Compared]] = {name: list(compare(line)) for name, compare in _COMPARISONS.items()}
    for name, compared_list in found.items():
        clashes = [compared for compared in compared_list if compared.disagrees]
        for compared in clashes or compared_list[:1]:
            yield _fact(name, compared)


def _fact(name: str, compared: Compared) -> FactBuilder:
    fact = FactBuilder("pair", name, tuple([place(*spot) for spot in compared.places]))
    fact.know(pair=name, disagrees=compared.disagrees)
    fact.set("decisive", compared.decisive)
    return fact
