"""The times of an episode: contact, time restrained, control, sedation, transport, transfer of care.

All times are epoch seconds. "Control" is when the patient is restrained or
sedated: from then on the duties to watch hold (``Timeline._control``).
"""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass
from operator import itemgetter

from service.episode import record
from service.episode.absence import Absent
from service.episode.drugs import DRUGS, PARENTERAL, ROUTE_GROUP
from service.episode.moment import Moment
from service.episode.words import BODY_PARTS, LIMBS

from . import intervals
from .builder import Asked, FactBuilder, Wanted
from .entries import Entries, dated, items, timed
from .fact import Scalar
from .intervals import Span

#: Seconds taken off every interval that is held against a maximum: charted times are whole minutes, so two of them
#: can be a minute closer than they read. One constant in place of a tolerance on every rule. Minimum intervals are
#: judged as charted.
ROUNDING = 60
#: Seconds by which clocks on one scene differ (common practice, no source).
CLOCKS = 300
#: An entry written later than this after its time is a late entry (common practice, no source).
LATE = 1800
#: With neither device nor hold nor police device, control is reached this long after the first sedative (common
#: practice: most sedatives into a muscle have begun to work within ten minutes).
CONTROL_AFTER_SEDATIVE = 600
#: The check on arrival may be this long before arrival (common practice; protocols say "on arrival").
BEFORE_ARRIVAL = 300
#: Rhythms without output.
NO_OUTPUT = ("vf", "pea", "asystole")
_ARMS = ("right_arm", "left_arm")
_LEGS = ("right_leg", "left_leg")
_POLICE_LIMBS = {
    "wrists_in_front": _ARMS,
    "wrists_behind_back": _ARMS,
    "right_wrist_to_stretcher": ("right_arm",),
    "left_wrist_to_stretcher": ("left_arm",),
    "ankles": _LEGS,
}
_ARM_SITES = ("wrist", "forearm", "hand")
_TIME = itemgetter(0)


@functools.cache
def limb_of(side: str | Absent, site: str) -> str:
    """The limb a site belongs to: wrist, forearm and hand to the arm, ankle, thigh and foot to the leg; else the site."""
    if site in ("torso", "all"):
        return site
    return f"{side}_{'arm' if site in _ARM_SITES else 'leg'}"


def applied_here(item: record.LimbRestraint) -> bool:
    """Whether this unit put a device on: what it took over, or what others are charted as having put on, it did not."""
    return item.taken_over is not True and (type(item.applied_by) is Absent or item.applied_by in ("ems", "fire"))


def own_limb(node: record.Action | record.Event) -> str | None:
    """The limb of an action or event, None where it names none."""
    if type(node.site) is Absent or (type(node.side) is Absent and node.site != "torso"):
        return None
    return limb_of(node.side, node.site)


def unknown_end(off: Moment | Absent, replaced: bool | Absent | None = None) -> bool:
    """Whether nobody can tell when a device came off.

    Left out, it stayed on until transfer of care; replaced, declined or with
    no place in the sender's system, its end is not known.
    """
    return type(off) is Absent and (off.state != "missing" or replaced is True)


@dataclass(frozen=True, slots=True)
class LimbTime:
    """One limb, or the torso: the devices on it and when it was restrained.

    ``own``: its items of ``application.limbs``; ``police``: those of ``custody.devices``.
    ``spans``: all time restrained, ``own_spans``: by own devices alone;
    disjoint, in order. Where an end is not charted a span ends at the last
    time of the record, and ``open`` is True. ``known`` is False where the
    spans cannot be told, such as without a time on.
    """

    limb: str
    own: tuple[record.LimbRestraint, ...]
    police: tuple[record.PoliceDevice, ...]
    spans: tuple[Span, ...]
    open: bool
    known: bool
    own_spans: tuple[Span, ...]

    @property
    def devices(self) -> tuple[record.LimbRestraint | record.PoliceDevice, ...]:
        """Everything that was on this limb."""
        return (*self.own, *self.police)


class Timeline:
    """The times of one episode that more than one kind of fact needs."""

    def __init__(self, episode: record.Episode, asked: Asked | None = None, *, running: bool = False) -> None:
        """``asked``: what rules can ask for; without it every attribute is made. ``running``: the call is not over."""
        self.episode = episode
        self._running = running
        self._asked = asked
        self.contact: int | None = episode.transport.at_patient.epoch
        self.departed: int | None = episode.transport.departed.epoch
        self.arrived: int | None = episode.transport.arrived.epoch
        self.handover: int | None = episode.handover.time.epoch
        #: When this unit's care ended: transfer of care, else the end without one.
        self.care_end: int | None = self.handover if self.handover is not None else episode.transport.ended.time.epoch
        self.closed: int | None = episode.chart.closed.epoch
        entries = Entries(episode)
        #: The first and the last time of the record, and the objects that say when they were written.
        self.first, self.last, self.written = entries.first, entries.last, entries.written
        self.limb_items = episode.application.limbs
        self.police_items = episode.custody.devices
        self.dose_items = episode.sedation.doses
        listed = episode.monitoring.vitals
        self.vitals = dated(listed, [vital.time for vital in items(listed)])
        #: (epoch, set of vital signs or posture) of those with a charted time, in order.
        self.sets: list[tuple[int, record.VitalSet]] = timed([(vital.time, vital) for vital in items(listed)])
        #: Those of them in this unit's care, and the sets without a time that are not from before it.
        self.own_sets = [(t, vital) for t, vital in self.sets if self.ours(vital.before_care, t)]
        self.own_untimed = [v for v in items(listed) if type(v.time) is Absent and v.before_care is not True]
        #: Times of the sets that count; filled by ``duties.set_points``.
        self.set_points: list[int] | None = None
        self.postures: list[tuple[int, record.Posture]] = timed([(p.start, p) for p in items(episode.postures)])
        #: Every part of the body that was restrained by a device; ``limbs``: without the torso.
        self.parts = self._parts()
        self.limbs = {name: part for name, part in self.parts.items() if name != "torso"}
        self.checks = self._checks()
        #: Limb -> times of the checks that count; filled by ``limbs.check_times``.
        self.check_times: dict[str, list[int]] = {}
        self.holds = self._holds()
        self.restrained = intervals.union([span for part in self.parts.values() for span in part.spans] + self.holds)
        self.open = any(part.open for part in self.parts.values()) or self._hold_open
        self.secured = self._secured()
        self.sedatives = sorted(
            t
            for dose in items(self.dose_items)
            if dose.drug in DRUGS
            and DRUGS[dose.drug].sedative
            and (t := dose.time.epoch) is not None
            and (self.care_end is None or t <= self.care_end)
        )
        self.control = self._control()
        self.loaded = self._loaded()

    def _checks(self) -> dict[str, list[tuple[int, record.LimbCheck]]]:
        """Limb -> its checks with a charted time, in order; a check of all limbs stands at each limb restrained then."""
        listed = items(self.episode.monitoring.limb_checks)
        out: dict[str, list[tuple[int, record.LimbCheck]]] = {limb: [] for limb in LIMBS}
        self.untimed_checks: dict[str, list[record.LimbCheck]] = {limb: [] for limb in LIMBS}
        self.all_checks = timed([(check.time, check) for check in listed])
        for time, check in self.all_checks:
            for limb in self.checked(check):
                out[limb].append((time, check))
        for check in listed:
            if type(check.time) is Absent:
                for limb in self.checked(check):
                    self.untimed_checks[limb].append(check)
        #: Places of the checks of a limb that was restrained then, and of those of which that is not known.
        self.of_restrained: set[str] = set()
        self.of_unknown: set[str] = set()
        for name, limb_time in self.limbs.items():
            self.of_unknown.update([check.at for check in self.untimed_checks[name]])
            if not limb_time.known:
                self.of_unknown.update([check.at for _, check in out[name]])
                continue
            for span in limb_time.spans:
                self.of_restrained.update([check.at for _, check in intervals.among(out[name], span, key=_TIME)])
        return out

    def outside_care(self, time: int, before: int = 0, after: int = 0) -> bool:
        """Whether a time lies more than ``before`` s before contact, or more than ``after`` s after the end of care."""
        early = self.contact is not None and time < self.contact - before
        late = self.care_end is not None and time > self.care_end + after
        return early or late

    @functools.cached_property
    def sets_by_clock(self) -> list[tuple[int, record.VitalSet]]:
        """(minutes after midnight, as the clock stood where it was charted, set) of the sets with a time, as they stand."""
        charted = [(v.time.when, v) for v in items(self.episode.monitoring.vitals) if type(v.time) is not Absent]
        return [(when.hour * 60 + when.minute, vital) for when, vital in charted]

    def checked(self, check: record.LimbCheck) -> list[str]:
        """The limbs that a check is about: of one of all limbs those restrained at its time, or that may have been."""
        if check.site != "all":
            return [limb_of(check.side, check.site)]
        time = check.time.epoch
        return [
            name
            for name, limb in self.limbs.items()
            if (type(check.side) is Absent or name.startswith(check.side))
            and (time is None or not limb.known or intervals.inside(time, limb.spans))
        ]

    # ------------------------------------------------------------ spans

    def awaited(self, time: int, limit: int) -> bool:
        """Whether what is due so many seconds after a time may still come: the call runs, and the record ends before."""
        return self._running and (self.last is None or self.last < time + limit + ROUNDING)

    def end_of(self, time: Moment | Absent) -> tuple[int | None, bool]:
        """(epoch, open) of an end: as charted, else the end of care, else the last time of the record, and then open.

        No later than the end of care.
        """
        own = time.epoch
        if own is not None:
            return (own if self.care_end is None else min(own, self.care_end)), False
        if self.care_end is not None:
            return self.care_end, False
        return self.last, True

    def _parts(self) -> dict[str, LimbTime]:
        own: dict[str, list[record.LimbRestraint]] = {}
        police: dict[str, list[record.PoliceDevice]] = {}
        for item in items(self.limb_items):
            own.setdefault(limb_of(item.side, item.site), []).append(item)
        for device in items(self.police_items):
            for limb in self._police_limbs(device):
                police.setdefault(limb, []).append(device)
        out = {}
        for limb in BODY_PARTS:
            spans: list[Span] = []
            own_spans: list[Span] = []
            opened = False
            known = True
            for item in own.get(limb, ()):
                start = item.on.epoch
                if start is None and item.taken_over is True:
                    start = self.contact  # nobody here knows when it was put on: this unit's care is what counts
                if start is None:
                    known = False
                    continue
                end, still = self.end_of(item.off)
                opened |= still
                if type(item.off) is Absent and item.off.state != "missing":
                    known = False
                if end is not None and end >= start:
                    # A device put on before this unit came is its duty from contact on.
                    own_spans.append((start if self.contact is None else min(max(start, self.contact), end), end))
            seen = []
            for device in police.get(limb, ()):
                span, still, sure = self.police_span(device)
                if span is None and sure:
                    continue
                seen.append(device)
                opened |= still
                known &= sure
                if span is not None:
                    spans.append(span)
            if own.get(limb) or seen:
                out[limb] = LimbTime(
                    limb,
                    tuple(own.get(limb, ())),
                    tuple(seen),
                    tuple(intervals.union(spans + own_spans)),
                    opened,
                    known,
                    tuple(intervals.union(own_spans)),
                )
        return out

    @staticmethod
    def _police_limbs(device: record.PoliceDevice) -> tuple[str, ...]:
        if type(device.site) is not Absent:
            return _POLICE_LIMBS[device.site]
        return _LEGS if device.device in ("leg_irons", "hobble") else _ARMS

    def police_span(self, device: record.PoliceDevice) -> tuple[Span | None, bool, bool]:
        """(span in this unit's care or None, open, known).

        A police device counts from this unit's contact: without a charted
        contact nobody can say how long it was in this unit's care.
        """
        on, off = device.on.epoch, device.off.epoch
        if off is not None and self.contact is not None and off <= self.contact:
            return None, False, True
        if self.contact is None or unknown_end(device.off, device.replaced):
            return None, False, False
        start = self.contact if on is None else max(on, self.contact)
        end, still = self.end_of(device.off)
        if end is None or end < start:
            return None, False, True
        return (start, end), still, True

    def _holds(self) -> list[Span]:
        out: list[Span] = []
        self._hold_open = False
        for hold in items(self.episode.application.holds):
            start = hold.start.epoch
            if start is None:
                continue
            end, still = self.end_of(hold.end)
            self._hold_open |= still
            if end is not None and end >= start:
                out.append((start, end))
        return out

    # ------------------------------------------------------------ moments

    def _secured(self) -> list[int]:
        """For every limb, and the torso, with a device of ours, when it was first secured."""
        return sorted(spans[0][0] for part in self.parts.values() if (spans := part.own_spans))

    def _control(self) -> int | None:
        """When the last limb was secured; without own devices when the hold ended or the last police device was on;
        without either ``CONTROL_AFTER_SEDATIVE`` after the first sedative. None where that is not known."""
        if self.secured:
            return self.secured[-1]
        if items(self.limb_items) or type(self.limb_items) is Absent:
            # Devices without times, or no word on devices: only the charted end of the application tells.
            completed: int | None = self.episode.application.completed.epoch
            return completed
        if self.holds:
            return max(end for _, end in self.holds)
        police = [limb.spans[0][0] for limb in self.limbs.values() if limb.spans]
        if police:
            return max(police)
        return self.sedatives[0] + CONTROL_AFTER_SEDATIVE if self.sedatives else None

    def _loaded(self) -> int | None:
        """When the patient was on the stretcher: the first belt or the departure."""
        belts = [t for belt in items(self.episode.stretcher.belts) if (t := belt.on.epoch) is not None]
        known = [t for t in (min(belts, default=None), self.departed) if t is not None]
        return min(known, default=None)

    def in_care(self, time: int | None) -> bool | None:
        """Whether a time lies in this unit's care; without a charted contact everything counts as this unit's."""
        if time is None:
            return None
        return self.contact is None or time >= self.contact

    def ours(self, before_care: bool | Absent, time: int | None) -> bool:
        """Whether an entry lies in this unit's care: by its time where contact is charted, else by its ``before_care``.

        Without a charted contact an entry counts as this unit's unless it says otherwise. ``before_care`` on an
        entry timed after contact does not count.
        """
        if time is None or self.contact is None:
            return before_care is not True
        return time > self.contact + ROUNDING if before_care is True else time >= self.contact

    def whose(self, before_care: bool | Absent, time: int | None) -> bool | None:
        """As ``ours``; None for an entry timed well before contact that does not say that it is from before this care.

        Either its time is wrong, or it is somebody else's: a danger in it is told, not passed over.
        """
        early = time is not None and self.contact is not None and time < self.contact - CLOCKS
        return None if early and before_care is not True else self.ours(before_care, time)

    def in_transport(self, start: int, end: int | None) -> bool | None:
        """Whether a stretch reaches into the journey; None when departure is not charted."""
        if self.departed is None:
            return None
        arrived = self.arrived if self.arrived is not None else self.care_end
        return (end is None or end > self.departed) and (arrived is None or start < arrived)

    # ------------------------------------------------------------ what facts carry

    def wanted(self, kind: str) -> Wanted:
        """The attributes to make for a kind of fact."""
        return None if self._asked is None else self._asked.of(kind)

    def set_at(self, fact: FactBuilder, time: int | None) -> None:
        """Set the ``at_`` attributes: how things stood at the fact's own time."""
        for name, stood in _standing(self.wanted(fact.kind)):
            fact.set(name, None if time is None else stood(self, time))

    def _at_restrained(self, time: int) -> bool | Absent | None:
        inside = intervals.inside(time, self.restrained)
        if not inside and not all(part.known for part in self.parts.values()):
            return None
        if type(self.limb_items) is Absent and not self.restrained:
            return self.limb_items
        return inside

    def _at_sedated(self, time: int) -> bool | Absent:
        return self.dose_items if type(self.dose_items) is Absent else any(t <= time for t in self.sedatives)

    def _at_transport(self, time: int) -> bool | None:
        return self.in_transport(time, time)

    def _at_control(self, time: int) -> bool | None:
        return None if self.control is None else time >= self.control

    def _since_application(self, time: int) -> int | None:
        return time - self.secured[0] if self.secured and time >= self.secured[0] else None

    def _since_sedative(self, time: int) -> int | None:
        given = [t for t in self.sedatives if t <= time]
        return time - given[-1] if given else None


_AT: dict[str, Callable[[Timeline, int], Scalar | Absent | None]] = {
    "at_in_care": Timeline.in_care,
    "at_restrained": Timeline._at_restrained,
    "at_sedated": Timeline._at_sedated,
    "at_transport": Timeline._at_transport,
    "at_control": Timeline._at_control,
    "at_since_application": Timeline._since_application,
    "at_since_sedative": Timeline._since_sedative,
}


@functools.cache
def _standing(wanted: Wanted) -> tuple[tuple[str, Callable[[Timeline, int], Scalar | Absent | None]], ...]:
    """Those of ``_AT`` to make."""
    return tuple((name, stood) for name, stood in _AT.items() if wanted is None or name in wanted)


def parenteral(route: str | Absent) -> bool | None:
    """Whether a drug was given by injection or through the nose; None when the route is not charted."""
    return None if type(route) is Absent else ROUTE_GROUP.get(route) in PARENTERAL
