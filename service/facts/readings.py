"""Abnormal readings in a row, as one event each: of vital signs and of limb checks.

A reading belongs to such a run when it lies beyond the widest published limit
(``Quantity.limit``); the limits that are judged by stand in the rules. An event
carries the worst reading without an answer, the worst with an answer and no
recheck, and the worst with both, so that an answer to the first reading does
not hide a later one.

A reading under running therapy to which nothing was added is judged with the
better of its own value and that of the next set within ``RECHECK``.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any

from service.episode import record
from service.episode.absence import MISSING, Absent
from service.episode.member_names import MemberName
from service.episode.words import CHECKED
from service.wording.labels import member_label

from . import limb_signs, scales
from .builder import FactBuilder, state_of
from .entries import items
from .fact import Evidence, place
from .limbs import looked
from .places import at_member
from .quantities import FALLS, QUANTITIES, Column, EveryReading, Quantity, falls, limits, rises
from .responses import ANSWERS, ASSISTED, RECHECK, Answer, Responses, answer_within, recheck_within
from .surroundings import Surroundings
from .timeline import ROUNDING, Timeline, limb_of

#: Months of age from which the limits of adults hold (16 years).
ADULT = 16 * 12
#: What follows from how the readings were answered.
_JUDGED = ("unanswered", "unanswered_worst", "unrechecked", "unrechecked_worst", "answered_worst")


@dataclass(slots=True)
class Reading:
    """One abnormal reading. ``judged``: the value it is judged with. ``control``: whether it lies after control."""

    time: int
    value: int
    where: Evidence
    in_care: bool | None
    control: bool | None
    judged: int = 0
    under_therapy: bool = False
    responded: bool = False
    rechecked: bool = False
    late: Answer | None = None
    extra: dict[str, Any] = field(default_factory=dict)


def _gravest(worst: Callable[..., int]) -> Callable[[Reading], tuple[bool, int]]:
    """The key by which the gravest reading is the first: a pulse that is gone is worse than any refill."""
    sign = -1 if worst is max else 1
    return lambda reading: (not reading.extra.get("absent_pulse", False), sign * reading.judged)


class Readings:
    """The events of one record that abnormal readings are."""

    def __init__(self, line: Timeline, shared: dict[str, Any], responses: Responses, around: Surroundings) -> None:
        self.line, self._responses, self._around = line, responses, around
        self._age_months = shared.get("ep_age_months")
        self._limits = limits(shared.get("ep_age_years"), self._age_months)

    def _limit(self, quantity: Quantity) -> int:
        return self._limits.get(quantity.code, quantity.limit)

    # ------------------------------------------------------------ how readings were answered

    def _judge(self, code: str, readings: list[Reading], order: list[int], limb: str | None = None) -> None:
        """Say of every reading whether there was an answer, and a recheck after it. ``order``: times of all readings."""
        last: int | None = None
        for before, reading in zip([None, *readings], readings, strict=False):
            answers = self._responses.after(code, reading.time, limb)
            reading.judged = reading.value
            if not answers and code in ASSISTED and self._responses.carried(code, reading.time):
                # The bag gives the breaths that are counted.
                reading.responded = reading.rechecked = True
                continue
            if not answers and code == "temperature_high" and last is not None and reading.value < last:
                # Cooling that was begun goes on: a value that falls under it is answered, and is its own recheck.
                reading.responded = reading.rechecked = self._responses.begun(code, reading.time)
            last = reading.value
            if reading.responded:
                continue
            if not answers and before is not None and before.responded and self._fluid_runs(code, reading.time):
                reading.responded = True
                at = bisect_left(order, reading.time + 1)
                reading.rechecked = at < len(order) and order[at] - reading.time - ROUNDING <= recheck_within(code)
                continue
            reading.responded = bool(answers)
            if answers:
                first = answers[0].time
                at = bisect_left(order, max(first, reading.time + 1))
                reading.rechecked = at < len(order) and order[at] - first - ROUNDING <= recheck_within(code)
                if all(self._responses.late(answer, reading.time) for answer in answers):
                    reading.late = answers[0]

    def _fluid_runs(self, code: str, time: int) -> bool:
        """Whether what answered the low pressure before is still running in."""
        return code in ("sbp_low", "sbp_fall") and self._responses.under_way(code, time)

    def _under_therapy(self, quantity: Quantity, readings: list[Reading], column: Column, limit: int) -> None:
        """Judge the readings that nobody answered while a therapy was running."""
        times = [time for time, _, _ in column]
        better = max if quantity.low else min
        for reading in readings:
            if reading.responded or not self._responses.running(quantity.code, reading.time):
                continue
            reading.under_therapy = True
            at = bisect_left(times, reading.time + 1)
            if at < len(times) and times[at] - reading.time - ROUNDING <= RECHECK:
                reading.judged = better(reading.value, column[at][2])
                if reading.judged > limit if quantity.low else reading.judged < limit:
                    # The therapy that went on brought it back to normal.
                    reading.judged, reading.responded, reading.rechecked = reading.value, True, True

    def _runs(self, readings: list[Reading], order: list[int]) -> Iterator[list[Reading]]:
        """Abnormal readings in a row, in one unit's care, before or after control. ``order``: times of all readings."""
        place_of = {time: index for index, time in enumerate(order)}
        run: list[Reading] = []
        for reading in readings:
            if run:
                last = run[-1]
                neighbour = place_of[reading.time] - place_of[last.time] <= 1
                if not neighbour or (last.in_care, last.control) != (reading.in_care, reading.control):
                    yield run
                    run = []
            run.append(reading)
        if run:
            yield run

    def _answers(self, fact: FactBuilder, run: list[Reading], worst: Callable[..., int], code: str) -> None:
        without = [r for r in run if not r.responded]
        alone = [r for r in run if r.responded and not r.rechecked]
        both = [r for r in run if r.rechecked]
        for name, chosen in (("worst", run), ("unanswered", without), ("unrechecked", alone), ("answered", both)):
            if chosen:
                gravest = min(chosen, key=_gravest(worst))
                where = (gravest.where, *[r.where for r in chosen if r is not gravest])
                span = (gravest.time, max(gravest.time, chosen[-1].time))
                for attribute in (name,) if name == "worst" else (name, f"{name}_worst"):
                    fact.evidence[attribute], fact.spans[attribute] = where, span
        if alone:
            # What is not there is a second look.
            second: MemberName = "limb_checks" if code.startswith("limb_") else "vitals"
            where = (*fact.evidence["unrechecked"], place(self.line.episode.monitoring, second))  # type: ignore[arg-type]
            fact.evidence["unrechecked"] = fact.evidence["unrechecked_worst"] = where
        fact.evidence["answer"] = (place(self.line.episode.monitoring, "actions"),)  # type: ignore[arg-type]
        late = [r for r in run if r.late is not None]
        fact.know(therapy_running=any(r.under_therapy for r in without), answered_late=bool(late))
        if late and late[0].late is not None:
            answer = late[0].late
            fact.evidence["answered_late"] = (late[0].where, place(answer.node))
            fact.spans["answered_late"] = (late[0].time, answer.written or answer.time)
            fact.set("answer_written_after", None if answer.written is None else answer.written - late[0].time)
        open_ = [r for r in without if self.line.awaited(r.time, answer_within(code))]
        if open_ and min(open_, key=_gravest(worst)) is min(without, key=_gravest(worst)):
            # The call goes on: the answer to the worst of them may be on its way.
            fact.unknown(_JUDGED, "missing")
            return
        untimed = self._responses.untimed(code)
        if without and untimed:
            # An answer without a time may be the missing one.
            fact.unknown(_JUDGED, state_of(*untimed))
            return
        if without and self._responses.not_collected:
            # A system with no place for actions cannot show an answer.
            fact.unknown(_JUDGED, "not_collected")
            return
        fact.know(unanswered=bool(without), unrechecked=bool(alone))
        for name, chosen in (("unanswered_worst", without), ("unrechecked_worst", alone), ("answered_worst", both)):
            fact.set(name, worst([r.judged for r in chosen]) if chosen else None)

    def _reading(self, time: int, value: int, where: Evidence, in_care: bool | None) -> Reading:
        after = None if self.line.control is None else time >= self.line.control
        return Reading(time, value, where, in_care, after, value)

    # ------------------------------------------------------------ of vital signs

    def of_vitals(self) -> Iterator[FactBuilder]:
        """One event for every run of abnormal readings of one quantity."""
        charted = EveryReading(self.line.sets)
        for quantity in QUANTITIES:
            limit = self._limit(quantity)
            if not quantity.may_be(charted, limit):
                continue
            if quantity.code == "sbp_fall" and (self._age_months or ADULT) < ADULT:
                continue  # a child's pressure settles lower, and no published fall was found
            column = quantity.column(self.line.sets)
            if quantity.code in ("etco2_low", "etco2_fall"):
                # Under compressions a low value shows the flow that they make.
                column = [entry for entry in column if not self._responses.compressions(entry[0])]
            if quantity.code == "etco2_rise":
                column = rises(self.line, column)
            if quantity.code in FALLS:
                column = falls(self.line, quantity.code, column)
            abnormal = [entry for entry in column if (entry[2] <= limit if quantity.low else entry[2] >= limit)]
            if not abnormal:
                continue
            readings = [self._of_set(time, value, vital, quantity) for time, vital, value in abnormal]
            order = list(dict.fromkeys([time for time, _, _ in column]))
            self._judge(quantity.code, readings, order)
            self._under_therapy(quantity, readings, column, limit)
            for run in self._runs(readings, order):
                yield self._run(quantity, run, order[-1])

    def _of_set(self, time: int, value: int, vital: record.VitalSet, quantity: Quantity) -> Reading:
        member = quantity.member
        if member == "glucose_mg_dl" and vital.glucose_reading == "low":
            member = "glucose_reading"
        where = place(vital, None if type(getattr(vital, member)) is Absent else member, member_label(quantity.member))
        return self._reading(time, value, where, self.line.whose(vital.before_care, time))

    def _run(self, quantity: Quantity, run: list[Reading], last: int) -> FactBuilder:
        worst = min if quantity.low else max
        fact = FactBuilder("event", quantity.code, tuple(r.where for r in run))
        fact.know(
            code=quantity.code,
            worst=worst([r.value for r in run]),
            readings=len(run),
            lasted=run[-1].time - run[0].time,
            last_look=run[-1].time == last,
            last_value=run[-1].value,
        )
        fact.evidence["last_value"], fact.spans["last_value"] = (run[-1].where,), (run[-1].time, run[-1].time)
        watched = [self._around.watched(r.time) for r in run]
        fact.set("etco2_watched", False if False in watched else None if None in watched else True, "not_collected")
        self._answers(fact, run, worst, quantity.code)
        if quantity.code == "sbp_low" and self._age_months is not None:
            limit = scales.sbp_limit(self._age_months)
            fact.know(
                under_age_limit=max([0] + [limit - r.judged for r in run if not r.responded]),
                under_age_limit_unrechecked=max(
                    [0] + [limit - r.judged for r in run if r.responded and not r.rechecked]
                ),
                under_age_limit_answered=max([0] + [limit - r.judged for r in run if r.rechecked]),
            )
        else:
            fact.unknown(("under_age_limit", "under_age_limit_unrechecked", "under_age_limit_answered"), "missing")
        fact.span = (run[0].time, run[-1].time)
        self._around.set(fact, run[0].time, run[0].in_care)
        return fact

    # ------------------------------------------------------------ of limb checks

    def of_limb_checks(self) -> Iterator[FactBuilder]:
        """One event for every run of abnormal checks of one limb; of all limbs in one entry the limb is not named."""
        shown = limb_signs.Shown()
        for limb in CHECKED:
            listed = self.line.all_checks if limb == "all" else self.line.checks[limb]
            named = [(t, c) for t, c in listed if (c.site == "all") == (limb == "all")]
            wrong = [(t, c) for t, c in named if shown.anything(c) and looked(c)]
            if wrong:
                own = [(t, c) for t, c in listed if looked(c)]
                for code in ("limb_circulation", "limb_altered"):
                    yield from self._of_limb(limb, code, own, wrong)

    def _of_limb(
        self, limb: str, code: str, own: list[tuple[int, record.LimbCheck]], wrong: list[tuple[int, record.LimbCheck]]
    ) -> Iterator[FactBuilder]:
        before = limb_signs.before_straps(self.line, limb, own)
        readings = []
        for time, check in wrong:
            if code == "limb_altered":
                found = limb_signs.altered(check, before) if self.line.limbs else None
            else:
                found = limb_signs.circulation(check)
            if found is not None:
                where = place(check, found.member)
                reading = self._reading(time, found.gravity, where, self.line.whose(MISSING, time))
                reading.extra = found.values
                readings.append(reading)
        if readings:
            order = sorted({t for t, _ in own})
            self._judge(code, readings, order, None if limb == "all" else limb)
            for run in self._runs(readings, order):
                yield self._limb_run(limb, code, run, order[-1])

    def _limb_run(self, limb: str, code: str, run: list[Reading], last: int) -> FactBuilder:
        open_ = [r for r in run if not (r.responded and r.rechecked)]
        judged = open_ or run
        fact = FactBuilder("event", f"{code}:{limb}", tuple(r.where for r in run))
        fact.know(code=code, worst=max(r.value for r in run), readings=len(run), lasted=run[-1].time - run[0].time)
        for name in run[0].extra:
            fact.set(name, max(r.extra[name] for r in judged))
        fact.set("limb", None if limb == "all" else limb)
        fact.set("limb_told", self.line.episode.handover.limb_status)
        fact.know(last_look=run[-1].time == last)
        self._answers(fact, run, max, code)
        fact.evidence["limb_told"] = (run[-1].where, at_member(self.line.episode, "handover", "limb_status"))
        fact.span = (run[0].time, run[-1].time)
        self._around.set(fact, run[0].time, run[0].in_care)
        return fact

    # ------------------------------------------------------------ without a time

    def untimed(self) -> Iterator[FactBuilder]:
        """One event for the abnormal readings of one quantity without a time.

        What followed cannot be told, unless no answer is charted at all.
        """
        monitoring = self.line.episode.monitoring
        untimed = [v for v in items(monitoring.vitals) if type(v.time) is Absent]
        for quantity in QUANTITIES if untimed else ():
            if quantity.code == "etco2_rise" or quantity.code in FALLS:
                continue  # without a time nobody knows which reading came first
            limit = self._limit(quantity)
            found = [
                (value, v)
                for _, v, value in quantity.column((0, vital) for vital in untimed)
                if (value <= limit if quantity.low else value >= limit)
            ]
            if found:
                found.sort(key=lambda pair: pair[0], reverse=not quantity.low)
                ours = all(v.before_care is not True for _, v in found)
                places = [place(v, quantity.member) for _, v in found]
                yield self._untimed(quantity.code, found[0][0], places, ours, None)
        for check in items(monitoring.limb_checks):
            if type(check.time) is not Absent:
                continue
            limb = None if check.site == "all" else limb_of(check.side, check.site)
            for code, told in (
                ("limb_circulation", limb_signs.circulation(check)),
                ("limb_altered", limb_signs.altered(check, frozenset())),
            ):
                if told is not None:
                    fact = self._untimed(code, told.gravity, [place(check)], True, limb)
                    fact.know(**told.values)
                    yield fact

    def _untimed(self, code: str, worst: int, places: list[Evidence], in_care: bool, limb: str | None) -> FactBuilder:
        fact = FactBuilder("event", f"{code}:{limb}:untimed" if limb else f"{code}:untimed", tuple(places))
        fact.know(code=code, worst=worst, readings=len(places))
        fact.set("limb", limb)
        silent = self._responses.not_collected
        charted = any(a.action in ANSWERS[code] for a in items(self._responses.listed))
        if silent or charted or self._responses.of(code, limb):
            fact.unknown((*_JUDGED, "under_age_limit"), "not_collected" if silent else "missing")
        else:
            fact.know(unanswered=True, unanswered_worst=worst, unrechecked=False)
            months = self._age_months
            fact.set("under_age_limit", None if months is None else max(0, scales.sbp_limit(months) - worst))
        self._around.set(fact, None, in_care)
        return fact
