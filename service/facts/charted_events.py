"""Events that are charted as such, arrests that only vital signs show, and changes after which checks are due."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator
from typing import Any

from service.episode import record
from service.episode.absence import MISSING, NOT_COLLECTED, Absent

from .builder import FactBuilder
from .entries import items
from .fact import Evidence, place
from .places import at_member
from .responses import RECHECK, RESPONSE, Responses, within
from .surroundings import Surroundings
from .timeline import NO_OUTPUT, ROUNDING, Timeline, own_limb

#: What a look at breathing and airway found -> the event that it is.
_BREATHING = {
    "absent": "breathing_absent",
    "agonal": "breathing_absent",
    "laboured": "breathing_labored",
    "shallow": "breathing_shallow",
}
_AIRWAY = {"blocked": "airway_blocked", "partly_blocked": "airway_partly_blocked"}
#: SpO2 in percent, and adult systolic pressure in mmHg, under which the reading shows the harm itself (domain OX-02, BP-01).
HYPOXIA = 90
LOW_PRESSURE = 90
#: Actions that are an event of their own.
_ACTS = {"ventilated": "ventilated_by_mask", "airway_device": "airway_device"}


class ChartedEvents:
    """The events of one record that are charted as such."""

    def __init__(self, line: Timeline, responses: Responses, around: Surroundings) -> None:
        self.line, self._responses, self._around = line, responses, around

    def all(self) -> Iterator[FactBuilder]:
        """One event for each breathing check with a stop, each charted event, each arrest, and each change."""
        yield from self._of_breathing_checks()
        yield from self._harms()
        for event in items(self.line.episode.monitoring.events):
            limb, end = own_limb(event), event.end.epoch
            yield self._charted(event.event, event.time.epoch, end, place(event), limb, event.before_care)
        yield from self._arrests()
        for time, action in self._responses.actions:
            if action.action in _ACTS:
                yield self._charted(_ACTS[action.action], time, None, place(action), None, MISSING)
        for (_, before), (began, posture) in zip(self.line.postures, self.line.postures[1:], strict=False):
            changed = (before.posture, before.head_elevation_deg) != (posture.posture, posture.head_elevation_deg)
            if changed and self.line.control is not None and began > self.line.control:
                yield self._charted("posture_changed", began, None, place(posture), None, MISSING)

    def _of_breathing_checks(self) -> Iterator[FactBuilder]:
        """Breathing that is not well, or an airway that is not clear."""
        for check in items(self.line.episode.monitoring.breathing_checks):
            for value, codes in ((check.breathing, _BREATHING), (check.airway, _AIRWAY)):
                code = codes.get(value) if isinstance(value, str) else None
                if code is not None:
                    yield self._charted(code, check.time.epoch, None, place(check), None, MISSING)

    def _harms(self) -> Iterator[FactBuilder]:
        """Complications, and the adverse effects of doses: one event for each, with whether it is charted elsewhere too."""
        for item in items(self.line.episode.injuries.complications):
            yield self._harm(item.complication, item.time.epoch, place(item), of_dose=False)
        for dose in items(self.line.dose_items):
            for effect in items(dose.adverse_effects):
                # An effect has no time of its own: it came after the dose.
                yield self._harm(effect, None, place(dose, "adverse_effects"), of_dose=True)

    def _harm(self, harm: str, time: int | None, where: Evidence, *, of_dose: bool) -> FactBuilder:
        fact = self._charted("harm", time, None, where, None, MISSING)
        fact.key = f"harm:{harm}"
        told = self._told_elsewhere(harm)
        fact.know(harm=harm, of_dose=of_dose, also_charted=told)
        return fact

    def _told_elsewhere(self, harm: str) -> bool:
        """Whether an event, a set of vital signs or an action of this unit's care shows the same."""
        sets = [v for _, v in self.line.own_sets]
        codes = {event.event for event in items(self.line.episode.monitoring.events)}
        if harm == "cardiac_arrest":
            return "arrest" in codes or any(v.hr == 0 or v.rhythm in NO_OUTPUT for v in sets)
        if harm == "hypoxia":
            return any(type(v.spo2) is not Absent and v.spo2 < HYPOXIA for v in sets)
        if harm == "hypotension":
            return any(type(v.sbp) is not Absent and v.sbp < LOW_PRESSURE for v in sets)
        return harm in codes

    def _arrests(self) -> Iterator[FactBuilder]:
        """An arrest that only sets of vital signs show: no heart rate, or a rhythm without output.

        One that is charted owns every such set from it on until the heart beats again.
        """
        events = items(self.line.episode.monitoring.events)
        known = [t for e in events if e.event == "arrest" and (t := e.time.epoch) is not None]
        beat: int | None = None
        first: tuple[int, record.VitalSet] | None = None
        runs: list[tuple[int | None, int, record.VitalSet]] = []
        for time, vital in self.line.sets:
            if vital.hr == 0 or vital.rhythm in NO_OUTPUT:
                if first is None:
                    first = (time, vital)
                    runs.append((beat, time, vital))
            elif type(vital.hr) is not Absent or type(vital.rhythm) is not Absent:
                beat, first = time, None
        for before, time, vital in runs:
            low = time - RESPONSE if before is None else min(before, time - RESPONSE)
            if not any(low <= t <= time + RESPONSE or (before is None and t <= time) for t in known):
                where = place(vital, "hr" if vital.hr == 0 else "rhythm")
                yield self._charted("arrest", time, None, where, None, vital.before_care)

    def _charted(
        self, code: str, time: int | None, end: int | None, where: Evidence, limb: str | None, before: Any
    ) -> FactBuilder:
        fact = FactBuilder("event", f"{code}:{limb}" if limb else code, (where,))
        fact.know(code=code, readings=1, of_limb=limb is not None)
        fact.set("limb", limb)
        fact.evidence["answer"] = (at_member(self.line.episode, "monitoring", "actions"),)
        names = ("unanswered", "unrechecked", "check_delay", "check_delay_sure", "no_check_after", "lasted")
        if time is None:
            fact.unknown(names, "missing")
            # A format that says that it was, and neither when nor in whose care, leaves that open.
            self._around.set(fact, None, None if before is NOT_COLLECTED else before is not True)
            return fact
        fact.span = (time, end if end is not None and end >= time else time)
        fact.set("lasted", end - time if end is not None else None)
        answers = self._responses.after(code, time, limb)
        responded = bool(answers) or self._responses.carried(code, time)
        late = bool(answers) and all(self._responses.late(answer, time) for answer in answers)
        fact.know(answered_late=late)
        if late:
            fact.evidence["answered_late"] = (where, place(answers[0].node))
            fact.spans["answered_late"] = (time, answers[0].written or time)
            fact.know(answer_written_after=(answers[0].written or time) - time)
        looks = self._around.looks
        if not responded and self._responses.not_collected:
            fact.unknown(("unanswered", "unrechecked"), "not_collected")
        elif not responded and self.line.awaited(time, RESPONSE):
            fact.unknown(("unanswered", "unrechecked"), "missing")
        else:
            # A reading in the same minute is not one after it.
            again = within(looks, time + 1, RESPONSE + RECHECK - 1)
            fact.know(unanswered=not responded, unrechecked=responded and again is None)
            fact.evidence["unrechecked"] = (where, at_member(self.line.episode, "monitoring", "vitals"))
        at = bisect_left(looks, time)
        following = looks[at] if at < len(looks) else None
        waiting = following is None and self.line.awaited(time, RESPONSE)
        fact.set("no_check_after", None if waiting else following is None)
        fact.set("etco2_watched", self._around.watched(time), "not_collected")
        if following is None:
            fact.unknown(("check_delay", "check_delay_sure"), "missing")
        else:
            fact.know(check_delay=following - time, check_delay_sure=max(0, following - time - ROUNDING))
        self._around.set(fact, time, self.line.whose(before, time))
        return fact
