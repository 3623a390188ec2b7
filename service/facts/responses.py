"""What counts as an answer to a danger, and which therapy was running: one place that every fact asks.

Most actions are moments. Oxygen, ventilation, CPR and an airway device are
therapies: they run from their start to their charted end, to an entry that
contradicts them (``_CONTRADICTS``), else to the end of care.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Iterable
from typing import Any, NamedTuple

from service.episode import record
from service.episode.absence import Absent
from service.episode.drugs import DRUGS
from service.episode.moment import Moment

from . import intervals
from .entries import items
from .timeline import LATE, ROUNDING, Timeline, own_limb

#: Seconds from a danger to its answer, and from the answer to the next look; common practice, no source.
RESPONSE = 300
RECHECK = 300
#: Seconds to the answer where 5 min do not fit the danger: cooling goes on once the patient is secured, and well inside
#: the half hour that guidelines on heat stroke name.
#: Sugar needs a line in a patient who fights, or the kit for an injection: 8 min, common practice, no source.
_ANSWER_WITHIN = {"temperature_high": 900, "glucose_low": 480}
#: Dangers whose answer runs from control where the reading stands before it.
_FROM_CONTROL = frozenset({"temperature_high"})
#: Seconds from the answer to the next look: sugar and glucagon take a quarter of an hour to show.
_RECHECK_WITHIN = {"glucose_low": 900, "temperature_high": 900}
#: Dangers that assisted breathing itself answers while it goes on.
ASSISTED = ("rr_low",)

_OXYGEN = frozenset({"oxygen_given"})
_AIRWAY = frozenset({"airway_opened", "airway_device", "suction", "turned_to_side", "head_raised"})
_SUGAR = frozenset({"dextrose", "glucagon", "oral_sugar"})
#: They widen the airways, common practice; they do not breathe for anybody, nor undo what a sedative does.
_WIDENING = frozenset({"bronchodilator", "magnesium"})
#: Magnesium is given for a rhythm and for a seizure too.
_DRUGS = frozenset({"drug_for_adverse_effect", "magnesium"})
_BREATHING = _OXYGEN | _AIRWAY | {"ventilated", "stimulated", "reversal_given"}
#: Oxygen and a raised head do not breathe for anybody.
_BREATHE_FOR = (_AIRWAY - {"head_raised"}) | {"ventilated", "stimulated", "reversal_given"}
_FREEING = frozenset({"face_cover_removed", "loosened", "posture_changed", "restraints_removed"})
_HEART = frozenset({"cpr", "defibrillation", "pacing"})
_PRESSURE = frozenset({"fluid", "posture_changed", "vasopressor"})
_LOOSENING = frozenset({"loosened", "moved", "removed", "restraints_removed"})
_CLEARING = frozenset({"suction", "turned_to_side", "face_cover_removed", "removed", "restraints_removed"})
_ANY = _BREATHING | _PRESSURE | _HEART | _DRUGS

#: Code of an event -> the actions that answer it (domain table of responses; the wider ones are common practice).
ANSWERS: dict[str, frozenset[str]] = {
    "spo2_low": _BREATHING | _WIDENING,
    "rr_low": _BREATHING,
    "rr_high": _BREATHING | _WIDENING,
    "etco2_high": _BREATHING,
    "etco2_low": _BREATHING,
    "etco2_rise": _BREATHING,
    "waveform_lost": _BREATHING | {"cpr"},
    "breathing_absent": _BREATHE_FOR | {"cpr"},
    "airway_blocked": _BREATHE_FOR,
    "apnoea": _BREATHE_FOR | {"cpr"},
    "laryngospasm": _BREATHE_FOR,
    "breathing_complaint": _BREATHING | _FREEING | _WIDENING,
    "suddenly_quiet": _ANY,
    "stopped_struggling": _ANY,
    "oversedation": _BREATHING,
    "reduced_consciousness": _BREATHING | _SUGAR,
    "gcs_low": _ANY | _SUGAR,
    "seizure": _BREATHING | _SUGAR | _DRUGS,
    "sbp_low": _PRESSURE,
    "hr_high": _ANY,
    "hr_low": _ANY,
    "arrest": _HEART | {"ventilated"},
    "glucose_low": _SUGAR,
    "temperature_high": frozenset({"cooling"}),
    "temperature_low": frozenset({"warming"}),
    "limb_circulation": _LOOSENING,
    "limb_altered": _LOOSENING,
    "waveform_abnormal": _BREATHING | {"cpr"},
    "ventricular_tachycardia": _HEART | _DRUGS,
    "spo2_fall": _BREATHING | _WIDENING,
    "etco2_fall": _ANY,
    "sbp_fall": _PRESSURE,
    "gcs_fall": _ANY | _SUGAR,
    "breathing_labored": _BREATHING | _FREEING | _WIDENING,
    "breathing_shallow": _BREATHING | _FREEING,
    "airway_partly_blocked": _BREATHING,
    "harm": _ANY | _CLEARING | _WIDENING,
    "limb_complaint": _LOOSENING,
    "vomiting": _CLEARING,
    "bleeding": _CLEARING,
    "equipment_failure": _ANY | {"other"},
    "ventilated_by_mask": _ANY,
    "airway_device": _ANY,
    "struggling": _ANY,
    "fall": _ANY,
    "left_unattended": frozenset(),
    "anchor_changed": frozenset(),
    "stretcher_changed": frozenset(),
    "posture_changed": frozenset(),
}

#: Action that starts a therapy -> the sets of vital signs that contradict it.
_CONTRADICTS: dict[str, Callable[[record.VitalSet], bool]] = {
    "oxygen_given": lambda vital: vital.oxygen == "air",
    "ventilated": lambda vital: vital.acvpu == "alert",
    "airway_device": lambda vital: vital.acvpu == "alert",
    "cpr": lambda vital: (
        vital.acvpu in ("alert", "confused", "voice") or (type(vital.sbp) is not Absent and vital.sbp > 0)
    ),
}
#: Therapies that end with a breathing check that finds normal breathing.
_UNTIL_BREATHING = ("ventilated", "cpr")
#: Therapies that are themselves the answer to a charted event while they run.
_CARRY = frozenset({"ventilated", "cpr"})
#: Postures that count as turning the patient or raising the head.
_RAISED = frozenset({"left_lateral", "right_lateral", "semi_fowler", "fowler", "seated"})
LATERAL = ("left_lateral", "right_lateral")


def answer_within(code: str) -> int:
    """Seconds in which a danger is to be answered."""
    return _ANSWER_WITHIN.get(code, RESPONSE)


def recheck_within(code: str) -> int:
    """Seconds after the answer in which the same quantity is to be read again."""
    return _RECHECK_WITHIN.get(code, RECHECK)


class Answer(NamedTuple):
    """Something done. ``written``: epoch at which it was entered, None where that is not charted."""

    time: int
    written: int | None
    node: Any


class Responses:
    """Everything in one record that can answer a danger."""

    def __init__(self, line: Timeline) -> None:
        self._line = line
        self.listed = line.episode.monitoring.actions
        self._untimed = [(a.action, a.time) for a in items(self.listed) if type(a.time) is Absent]
        #: (epoch, action), in order.
        self.actions = sorted(
            ((t, a) for a in items(self.listed) if (t := a.time.epoch) is not None), key=lambda pair: pair[0]
        )
        self._oxygen = self._oxygen_started()
        self._running = {therapy: self._spans(therapy) for therapy in _CONTRADICTS}
        self._known: dict[tuple[frozenset[str], str | None], list[Answer]] = {}
        covers = items(line.episode.custody.face_covers)
        #: Times at which an airway was cleared: suction, turn, or removal of a cover or of restraints.
        self.airway_cleared = sorted(
            [t for t, a in self.actions if a.action in _CLEARING]
            + [off for cover in covers if (off := cover.off.epoch) is not None]
            + [t for t, p in line.postures if p.posture in LATERAL]
        )
        #: When restraints were last charted as taken off by an action.
        self.restraints_removed = max((t for t, a in self.actions if a.action == "restraints_removed"), default=None)

    @property
    def not_collected(self) -> bool:
        """Whether the sender's system has no place for actions: then it cannot show an answer."""
        return type(self.listed) is Absent and self.listed.state == "not_collected"

    def untimed(self, code: str) -> list[Moment | Absent]:
        """The absent times of the actions that may be the missing answer to a danger."""
        return [time for action, time in self._untimed if action in ANSWERS[code]]

    def _oxygen_started(self) -> list[Answer]:
        """Where oxygen was begun or raised: sets that show it, and a mask put on with oxygen flowing."""
        out: list[Answer] = []
        given = [t for t, a in self.actions if a.action == "oxygen_given"]
        before: bool | None = None
        since = 0
        flow = 0.0
        for time, vital in self._line.sets:
            now = None if type(vital.oxygen) is Absent else vital.oxygen == "oxygen"
            rate = 0.0 if type(vital.oxygen_l_min) is Absent else vital.oxygen_l_min
            # Oxygen that an action began between the two sets is that action's answer, not the set's own.
            begun = now and before is False and not any(since <= t < time for t in given)
            if begun or (rate > flow > 0):
                out.append(Answer(time, vital.entered.epoch, vital))
            before, since = (before, since) if now is None else (now, time)
            flow = rate or flow
        for cover in items(self._line.episode.custody.face_covers):
            on, through = cover.on.epoch, cover.oxygen_l_min
            if on is not None and type(through) is not Absent and through > 0:
                out.append(Answer(on, cover.entered.epoch, cover))
        return out

    def _spans(self, therapy: str) -> list[tuple[int, int | None]]:
        """(start, end) of a therapy; an end of None is the end of care."""
        line = self._line
        begun = [(t, a.end.epoch) for t, a in self.actions if a.action == therapy]
        if therapy == "oxygen_given":
            begun += [(t, None) for t, vital in line.sets if vital.oxygen == "oxygen"]
            begun += [(a.time, a.node.off.epoch) for a in self._oxygen if isinstance(a.node, record.FaceCover)]
        if not begun:
            return []
        contradicted = [t for t, vital in line.sets if _CONTRADICTS[therapy](vital)]
        if therapy in _UNTIL_BREATHING:
            checks = items(line.episode.monitoring.breathing_checks)
            contradicted += [t for c in checks if c.breathing == "normal" and (t := c.time.epoch) is not None]
        contradicted.sort()
        out = []
        for start, end in begun:
            at = bisect_left(contradicted, start + 1)
            ends = [t for t in (end, contradicted[at] if at < len(contradicted) else None) if t is not None]
            out.append((start, min(ends, default=None)))
        return out

    def running(self, code: str, time: int) -> bool:
        """Whether a therapy that answers this danger had begun before a time and still ran."""
        return any(self._runs(therapy, time) for therapy in _CONTRADICTS if therapy in ANSWERS[code])

    def carried(self, code: str, time: int) -> bool:
        """Whether a therapy was running that is itself the answer to a charted event: ventilation or CPR."""
        return any(self._runs(therapy, time) for therapy in _CARRY & ANSWERS[code])

    def under_way(self, code: str, time: int) -> bool:
        """Whether an answer was begun in the ``RESPONSE`` before a time: a fluid bolus takes longer than that to run in."""
        found = self.of(code)
        at = bisect_left(found, time, key=lambda answer: answer.time)
        return at > 0 and time - found[at - 1].time - ROUNDING <= RESPONSE

    def begun(self, code: str, time: int) -> bool:
        """Whether a danger was being answered before a time."""
        found = self.of(code)
        return bool(found) and found[0].time <= time

    def compressions(self, time: int) -> bool:
        """Whether CPR was going on."""
        return self._runs("cpr", time)

    def resuscitation(self) -> list[tuple[int, int]]:
        """When CPR was going on, as (start, end); one without an end goes on."""
        return intervals.union(
            (start, intervals.ALWAYS[1] if end is None else end) for start, end in self._running["cpr"]
        )

    def _runs(self, therapy: str, time: int) -> bool:
        return any(start <= time and (end is None or time < end) for start, end in self._running[therapy])

    def of(self, code: str, limb: str | None = None) -> list[Answer]:
        """Everything that answers a danger, in order. ``limb``: what was done for another limb does not count."""
        family = ANSWERS[code]
        known = self._known.get((family, limb))
        if known is None:
            known = self._known[family, limb] = sorted(self._find(family, limb), key=lambda answer: answer.time)
        if code == "seizure":
            return sorted([*known, *self._against_seizure()], key=lambda answer: answer.time)
        return known

    def _find(self, family: frozenset[str], limb: str | None) -> Iterable[Answer]:
        for time, action in self.actions:
            if action.action in family and (limb is None or own_limb(action) in (None, limb)):
                yield Answer(time, action.entered.epoch, action)
        if "oxygen_given" in family:
            yield from self._oxygen
        if "head_raised" in family or "posture_changed" in family:
            postures = _RAISED if "head_raised" in family else _RAISED | {"supine"}
            for time, posture in self._line.postures[1:]:
                if posture.posture in postures:
                    yield Answer(time, posture.entered.epoch, posture)
        if limb is not None and limb in self._line.limbs:
            for device in self._line.limbs[limb].devices:
                # What comes off at transfer of care ends the restraint; it answers nothing.
                end = self._line.care_end
                if (off := device.off.epoch) is not None and (end is None or off < end):
                    yield Answer(off, device.entered.epoch, device)

    def _against_seizure(self) -> list[Answer]:
        return [
            Answer(time, dose.entered.epoch, dose)
            for dose in items(self._line.dose_items)
            if dose.drug in DRUGS
            and DRUGS[dose.drug].family == "benzodiazepine"
            and (time := dose.time.epoch) is not None
        ]

    def after(self, code: str, time: int, limb: str | None = None) -> list[Answer]:
        """The answers from a time on, to ``answer_within`` after it, less ``ROUNDING``."""
        found = self.of(code, limb)
        at = bisect_left(found, time, key=lambda answer: answer.time)
        control = self._line.control
        late = control is not None and code in _FROM_CONTROL and control > time
        start = control if late and control is not None else time
        out = []
        for answer in found[at:]:
            if answer.time - start - ROUNDING > answer_within(code):
                break
            out.append(answer)
        return out

    def late(self, answer: Answer, time: int) -> bool:
        """Whether an answer to something at a time was written long after it, or after closing."""
        if answer.written is None:
            return False
        closed = self._line.closed
        return answer.written - time > LATE or (closed is not None and answer.written > closed)


def within(points: list[int], start: int, limit: int) -> int | None:
    """The first point from ``start`` on that is no later than ``limit`` after it, less ``ROUNDING``; else None."""
    at = bisect_left(points, start)
    return points[at] if at < len(points) and points[at] - start - ROUNDING <= limit else None
