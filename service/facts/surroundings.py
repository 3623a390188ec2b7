"""What stood around an event: watching of the breath, face cover, posture, restraints, the next checks."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable

from service.episode import record
from service.episode.absence import Absent

from . import intervals
from .builder import FactBuilder, state_of
from .entries import items
from .fact import place
from .limbs import check_times
from .responses import LATERAL, RESPONSE, Responses, within
from .timeline import ROUNDING, Timeline

#: Seconds: EtCO2 and a breathing check this close to a reading count as watching the breath (common practice).
WATCH = 300
#: Seconds after an event by which a limb check is due (common practice; domain 13.1, last rows).
LIMB_CHECK_DUE = 300


def _together(spans: Iterable[tuple[int | None, int | None]]) -> list[intervals.Span]:
    """The same time as disjoint intervals; an end that is not charted sets no bound."""
    first, last = intervals.ALWAYS
    return intervals.union((first if start is None else start, last if end is None else end) for start, end in spans)


class Surroundings:
    """What rules ask about the moment of an event, in one record."""

    def __init__(self, line: Timeline, responses: Responses) -> None:
        self._line, self._responses = line, responses
        monitoring = line.episode.monitoring
        listed = monitoring.breathing_checks
        self._no_place_for_checks = type(listed) is Absent and listed.state == "not_collected"
        self._breathing = sorted([t for c in items(monitoring.breathing_checks) if (t := c.time.epoch) is not None])
        #: Times at which somebody looked at breathing or pulse.
        self.looks = sorted(
            [
                t
                for t, v in line.sets
                if type(v.hr) is not Absent
                or type(v.rr) is not Absent
                or type(v.spo2) is not Absent
                or type(v.etco2_mmhg) is not Absent
            ]
            + self._breathing
        )
        self._capnography = intervals.union(
            (s, line.end_of(span.end)[0] or s)
            for span in items(monitoring.capnography)
            if (s := span.start.epoch) is not None
        )
        self._etco2 = [t for t, v in line.sets if type(v.etco2_mmhg) is not Absent]
        self._covered = _together(
            (cover.on.epoch, cover.off.epoch) for cover in items(line.episode.custody.face_covers)
        )
        #: Every limb with a device: its time restrained, and the times of its checks.
        self._watched_limbs = [(x.limb, x.spans, check_times(line, x.limb)) for x in line.limbs.values()]
        #: When devices of the crew, and of the police, were on of which nobody charted that they came off.
        self._own_left_on = _together((x.on.epoch, None) for x in items(line.limb_items) if type(x.off) is Absent)
        self._police_left_on = _together((x.on.epoch, None) for x in items(line.police_items) if type(x.off) is Absent)
        self._untimed_checks = {limb: [c.time for c in found] for limb, found in line.untimed_checks.items()}
        self._posture_number = intervals.last_begun([(t, p.end.epoch) for t, p in line.postures])

    def watched(self, time: int) -> bool | None:
        """Whether EtCO2 and a breathing check are charted close to a time; None where the sender has no place for one."""
        etco2 = self._near(self._etco2, time) or intervals.inside(time, self._capnography)
        looked: bool | None = self._near(self._breathing, time)
        if not looked and self._no_place_for_checks:
            looked = None
        return etco2 and looked

    @staticmethod
    def _near(points: list[int], time: int) -> bool:
        at = bisect_left(points, time - WATCH)
        return at < len(points) and points[at] <= time + WATCH

    def posture_at(self, time: int) -> record.Posture | None:
        """The last posture that had begun at a time and not ended."""
        number = self._posture_number(time)
        return None if number is None else self._line.postures[number][1]

    def set(self, fact: FactBuilder, time: int | None, in_care: bool | None) -> None:
        """Set the ``at_`` attributes, ``in_care``, and what stood around the event."""
        line, episode = self._line, self._line.episode
        line.set_at(fact, time)
        fact.set("in_care", in_care, "not_collected")
        names = (
            "face_cover_on", "tied_supine", "tied_not_on_side", "airway_response", "restraints_off_charted",
            "limb_check_delay", "limb_check_delay_sure", "no_limb_check_after", "limb_check_due",
        )  # fmt: skip
        if time is None:
            fact.unknown(names, "missing")
            return
        covers = episode.custody.face_covers
        fact.set("face_cover_on", covers if type(covers) is Absent else intervals.inside(time, self._covered))
        posture = self.posture_at(time)
        tied = intervals.inside(time, line.restrained)
        fact.set("tied_supine", None if posture is None else tied and posture.posture == "supine")
        fact.set("tied_not_on_side", None if posture is None else tied and posture.posture not in LATERAL)
        if self._responses.not_collected:
            fact.set("airway_response", None, "not_collected")
        else:
            cleared = within(self._responses.airway_cleared, time, RESPONSE) is not None
            fact.set("airway_response", None if not cleared and line.awaited(time, RESPONSE) else cleared)
        last_off = self._responses.restraints_removed
        removed = last_off is not None and last_off >= time
        own_off = removed or not intervals.inside(time, self._own_left_on)
        off = own_off and not intervals.inside(time, self._police_left_on)
        fact.set("restraints_off_charted", None if not off and line.awaited(time, RESPONSE) else off)
        left_on = [place(device, "off") for device in items(line.limb_items) if type(device.off) is Absent]
        left_on += [place(device, "off") for device in items(line.police_items) if type(device.off) is Absent]
        fact.evidence["restraints_off_charted"] = (*fact.pointers, *left_on)
        self._limb_check(fact, time)

    def _limb_check(self, fact: FactBuilder, time: int) -> None:
        names = ("limb_check_delay", "limb_check_delay_sure", "no_limb_check_after", "limb_check_due")
        listed = self._line.episode.monitoring.limb_checks
        named, limbs, due, after = fact.values.get("limb"), set(), False, None
        for limb, spans, points in self._watched_limbs:
            if (named is not None and named != limb) or not intervals.inside(time, spans):
                continue
            limbs.add(limb)
            due = due or intervals.inside(time + LIMB_CHECK_DUE + ROUNDING, spans)
            at = bisect_left(points, time)
            if at < len(points) and (after is None or points[at] < after):
                after = points[at]
        fact.know(limb_check_due=due)
        if type(listed) is Absent:
            fact.unknown(names[:3], listed.state)
            return
        if after is None:
            # A check without a time may be the missing one.
            untimed = [time for limb in sorted(limbs) for time in self._untimed_checks.get(limb, ())]
            if untimed:
                fact.unknown(names[:3], state_of(*untimed))
                return
            if self._line.awaited(time, LIMB_CHECK_DUE):
                fact.unknown(names[:3], "missing")
                return
        fact.know(no_limb_check_after=after is None)
        where = (*fact.pointers, place(self._line.episode.monitoring, "limb_checks"))  # type: ignore[arg-type]
        fact.evidence["no_limb_check_after"] = fact.evidence["limb_check_delay_sure"] = where
        if after is None:
            fact.unknown(names[:2], "missing")
        else:
            fact.know(limb_check_delay=after - time, limb_check_delay_sure=max(0, after - time - ROUNDING))
