"""Deterioration and charted events, each with what followed.

Abnormal readings in a row are one event. A reading belongs to such a run when
it lies beyond the widest published limit (``Quantity.limit``); the limits that
are judged by stand in the rules. An event carries the worst reading without a
response, the worst with a response and no recheck, and the worst with both, so
that a response to the first reading does not hide a later one. A response
counts from the reading to ``RESPONSE`` after it, a recheck to ``RECHECK`` after
the response. Here "to answer" is to respond.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from service.episode import declaration, record
from service.episode.absence import Absent
from service.episode.member_names import MemberName
from service.episode.moment import Moment
from service.episode.words import LIMBS
from service.wording.labels import member_label

from . import intervals, scales
from .builder import FactBuilder, scaled, state_of
from .fact import Evidence, place
from .limbs import check_times
from .timeline import ROUNDING, Timeline, items, limb_of

#: Seconds; both numbers are this project's own.
RESPONSE = 300
RECHECK = 300
#: Seconds: EtCO2 and a breathing check this close to a reading count as watching the breath.
WATCH = 300
#: Seconds after an event by which a limb check is due.
LIMB_CHECK_DUE = 300

#: Tenths of mmHg from which a rise of EtCO2 is looked at: over 45 mmHg.
RISE_FROM = 451

#: What counts as a response to a danger to breathing.
_BREATHING = frozenset(
    {
        "oxygen_given",
        "airway_opened",
        "suction",
        "turned_to_side",
        "head_raised",
        "ventilated",
        "airway_device",
        "stimulated",
        "reversal_given",
    }
)
#: What counts as a response to most dangers.
_ANY = _BREATHING | {"fluid", "vasopressor", "cpr", "defibrillation", "drug_for_adverse_effect", "posture_changed"}
#: Code of an event -> the actions that count as a response to it; ``_ANY`` for a code that is not in here.
_RESPONSES = {
    "spo2_low": _BREATHING,
    "rr_low": _BREATHING,
    "rr_high": _BREATHING,
    "etco2_high": _BREATHING,
    "etco2_low": _BREATHING,
    "etco2_rise": _BREATHING,
    "waveform_lost": _BREATHING,
    "breathing_absent": _BREATHING | {"cpr"},
    "airway_blocked": _BREATHING,
    "apnoea": _BREATHING | {"cpr"},
    "laryngospasm": _BREATHING,
    "sbp_low": frozenset({"fluid", "posture_changed", "vasopressor"}),
    "glucose_low": frozenset({"dextrose", "glucagon", "oral_sugar"}),
    "temperature_high": frozenset({"cooling"}),
    "temperature_low": frozenset({"warming"}),
    "hr_high": _ANY,
    "hr_low": _ANY,
    "gcs_low": _ANY | {"dextrose", "glucagon"},
    "oversedation": _BREATHING,
    "limb_circulation": frozenset({"loosened", "moved", "removed", "restraints_removed"}),
    "limb_complaint": frozenset({"loosened", "moved", "removed", "restraints_removed"}),
    "vomiting": frozenset({"suction", "turned_to_side", "face_cover_removed", "restraints_removed"}),
    "bleeding": frozenset({"suction", "turned_to_side", "face_cover_removed", "restraints_removed"}),
    "arrest": frozenset({"cpr", "defibrillation", "ventilated"}),
    "equipment_failure": _ANY | {"other"},
}
#: Postures that count as turning the patient or raising the head.
_RAISED = frozenset({"left_lateral", "right_lateral", "semi_fowler", "fowler", "seated"})
#: Actions that clear an airway when the patient vomits or bleeds.
_AIRWAY = frozenset({"suction", "turned_to_side", "face_cover_removed", "removed", "restraints_removed"})


#: (epoch, set, reading) of every set that has a reading of a quantity.
_Column = list[tuple[int, record.VitalSet, int]]


@dataclass(frozen=True, slots=True)
class Quantity:
    """One measured quantity that can go wrong in one direction.

    ``low``: lower is worse. A reading at ``limit`` or beyond is abnormal: the
    first one beyond the widest published limit, 0 where the limit depends on
    age (``_limits``). ``read``: the unit of ``member`` when its number is the
    reading (``scaled``; "" as it is), else a function that gives the reading,
    or None, from the members ``of`` a set.
    """

    code: str
    member: MemberName
    low: bool
    limit: int
    read: str | Callable[..., int | None] = ""
    of: tuple[MemberName, ...] = ()

    def worst(self, columns: Mapping[str, Sequence[Any]]) -> int | None:
        """The worst reading of all sets, None where there is none. ``columns``: member -> its value in every set."""
        read, worst = self.read, min if self.low else max
        if callable(read):
            readings = map(read, *[columns[name] for name in self.of])
            return worst([value for value in readings if value is not None], default=None)
        found: Any = worst([value for value in columns[self.member] if type(value) is not Absent], default=None)
        # Scaling keeps the order, so one reading is scaled in place of all.
        return found if found is None or not read else scaled(found, read)

    def column(self, sets: Iterable[tuple[int, record.VitalSet]]) -> _Column:
        """(epoch, set, reading) of every set that has one."""
        read, name = self.read, self.member
        if callable(read):
            told = [(time, vital, read(*[getattr(vital, name) for name in self.of])) for time, vital in sets]
            return [(time, vital, value) for time, vital, value in told if value is not None]
        found = [(time, vital, value) for time, vital in sets if type(value := getattr(vital, name)) is not Absent]
        return [(time, vital, scaled(value, read)) for time, vital, value in found] if read else found


@dataclass(slots=True)
class _Reading:
    """One abnormal reading. ``control``: whether it lies after control, None where that is not known."""

    time: int
    value: int
    where: Evidence
    in_care: bool
    control: bool | None
    responded: bool = False
    rechecked: bool = False
    extra: dict[str, Any] = field(default_factory=dict)


def _glucose(number: float | Absent, reading: str | Absent) -> int | None:
    """Tenths of mg/dL; a meter that reads Low is under every limit."""
    if reading == "low":
        return 0
    return None if type(number) is Absent else scaled(number, "mg/dL")


def _gcs(total: int | Absent, *parts: int | Absent) -> int | None:
    """The total as charted, else the sum of its three parts."""
    if type(total) is not Absent:
        return total
    return None if Absent in map(type, parts) else sum(parts)  # type: ignore[arg-type]


#: End-tidal CO2 in tenths of mmHg under which there is no breath to measure (8 mmHg, an alarm limit for apnea).
NO_BREATH = 80


def _waveform(breath: float | Absent, waveform: str | Absent) -> int | None:
    """0 when the waveform is lost or there is no breath to measure, else 1."""
    if type(breath) is not Absent and breath < 9 and scaled(breath, "mm[Hg]") < NO_BREATH:
        return 0
    return None if type(waveform) is Absent else 0 if waveform == "lost" else 1


def _deep(score: int | Absent, scale: str | Absent) -> int | None:
    """How far the agitation score lies under "deeply sedated" of its scale, negative or 0 when deep."""
    return None if type(score) is Absent or type(scale) is Absent else score - scales.DEEP[scale]


def _reduced(acvpu: str | Absent) -> int | None:
    """0 when the patient answers to pain only or not at all, else 1."""
    return None if type(acvpu) is Absent else 0 if acvpu in ("pain", "unresponsive") else 1


_QUANTITIES = (
    Quantity("spo2_low", "spo2", True, 94),
    Quantity("rr_low", "rr", True, 0),
    Quantity("rr_high", "rr", False, 25),
    Quantity("etco2_high", "etco2_mmhg", False, 451, "mm[Hg]"),
    Quantity("etco2_low", "etco2_mmhg", True, 300, "mm[Hg]"),
    Quantity("etco2_rise", "etco2_mmhg", False, 100, "mm[Hg]"),
    Quantity("waveform_lost", "etco2_waveform", True, 0, _waveform, ("etco2_mmhg", "etco2_waveform")),
    Quantity("sbp_low", "sbp", True, 0),
    Quantity("hr_high", "hr", False, 130),
    Quantity("hr_low", "hr", True, 40),
    Quantity("temperature_high", "temperature_c", False, 381, "Cel"),
    Quantity("temperature_low", "temperature_c", True, 350, "Cel"),
    Quantity("glucose_low", "glucose_mg_dl", True, 699, _glucose, ("glucose_mg_dl", "glucose_reading")),
    Quantity("gcs_low", "gcs_total", True, 8, _gcs, ("gcs_total", "gcs_eye", "gcs_verbal", "gcs_motor")),
    Quantity("oversedation", "agitation_score", True, 0, _deep, ("agitation_score", "agitation_scale")),
    Quantity("reduced_consciousness", "acvpu", True, 0, _reduced, ("acvpu",)),
)

_MEMBERS = tuple(dict.fromkeys(name for quantity in _QUANTITIES for name in quantity.of or (quantity.member,)))
_row = declaration.getter(_MEMBERS)
#: Code of an event that is worked out from other than vital signs -> where it is told.
_TOLD_AT = {
    "limb_circulation": "/monitoring/limb_checks",
    "breathing_absent": "/monitoring/breathing_checks",
    "airway_blocked": "/monitoring/breathing_checks",
    "ventilated_by_mask": "/monitoring/actions",
    "airway_device": "/monitoring/actions",
}


def told_at(code: str) -> tuple[str, ...]:
    """Paths of the record at which an event of a code is told (``*`` for indexes): members, or a list as a whole."""
    members = dict.fromkeys(m for q in _QUANTITIES if q.code == code for m in q.of or (q.member,))
    worked_out = tuple(f"/monitoring/vitals/*/{member}" for member in ("time", *members))
    return worked_out if members else (_TOLD_AT.get(code, "/monitoring/events"),)


def _limits(age_years: int | None, age_months: int | None) -> dict[str, int]:
    """Code of a quantity -> ``Quantity.limit`` for this age."""
    adult = age_years is None or age_years >= 16
    sbp = 100 if adult or age_months is None else scales.sbp_limit(age_months)
    return {"rr_low": scales.rr_low_limit(age_years) - 1, "sbp_low": sbp - 1}


def _together(spans: Iterable[tuple[int | None, int | None]]) -> list[intervals.Span]:
    """The same time as disjoint intervals; an end that is not charted sets no bound."""
    first, last = intervals.ALWAYS
    return intervals.union((first if start is None else start, last if end is None else end) for start, end in spans)


class Events:
    """All events of one episode."""

    def __init__(self, line: Timeline, shared: dict[str, Any]) -> None:
        self.line = line
        monitoring = line.episode.monitoring
        self.vitals = line.sets
        self.listed_actions = monitoring.actions
        self.untimed_actions = [(a.action, a.time) for a in items(self.listed_actions) if type(a.time) is Absent]
        self.actions = sorted(
            ((t, a) for a in items(self.listed_actions) if (t := a.time.epoch) is not None), key=lambda p: p[0]
        )
        self.breathing = sorted([t for c in items(monitoring.breathing_checks) if (t := c.time.epoch) is not None])
        self.looks = sorted(
            [
                t
                for t, v in self.vitals
                if type(v.hr) is not Absent
                or type(v.rr) is not Absent
                or type(v.spo2) is not Absent
                or type(v.etco2_mmhg) is not Absent
            ]
            + self.breathing
        )
        self.capnography = intervals.union(
            (s, line.end_of(span.end)[0] or s)
            for span in items(monitoring.capnography)
            if (s := span.start.epoch) is not None
        )
        self.etco2 = [t for t, v in self.vitals if type(v.etco2_mmhg) is not Absent]
        self.oxygen_on = self._oxygen_started()
        self.age_years, self.age_months = shared.get("ep_age_years"), shared.get("ep_age_months")
        self._limits = _limits(self.age_years, self.age_months)
        self._known_responses: dict[tuple[frozenset[str], str | None], list[int]] = {}
        covers = items(line.episode.custody.face_covers)
        self.covered = _together((cover.on.epoch, cover.off.epoch) for cover in covers)
        self.airway_taken = sorted(
            [t for t, a in self.actions if a.action in _AIRWAY]
            + [off for cover in covers if (off := cover.off.epoch) is not None]
            + [t for t, p in line.postures if p.posture in ("left_lateral", "right_lateral")]
        )
        #: Every limb with a device: its time restrained, and the times of its checks.
        self.watched_limbs = [(x.limb, x.spans, check_times(line, x.limb)) for x in line.limbs.values()]
        #: When restraints were last charted as taken off by an action.
        self.restraints_removed = max((t for t, a in self.actions if a.action == "restraints_removed"), default=None)
        #: When devices of the crew, and of the police, were on of which nobody charted that they came off.
        self.own_left_on = _together((x.on.epoch, None) for x in items(line.limb_items) if type(x.off) is Absent)
        self.police_left_on = _together((x.on.epoch, None) for x in items(line.police_items) if type(x.off) is Absent)
        self.untimed_checks: dict[str | None, list[Moment | Absent]] = {}
        for check in items(monitoring.limb_checks):
            if type(check.time) is Absent:
                self.untimed_checks.setdefault(limb_of(check.side, check.site), []).append(check.time)
        self.posture_number = intervals.last_begun([(t, p.end.epoch) for t, p in line.postures])

    # ------------------------------------------------------------ helpers

    def _oxygen_started(self) -> list[int]:
        """Times of the sets that show oxygen after a set on air: giving it was a response."""
        out: list[int] = []
        before: bool | None = None
        for time, vital in self.vitals:
            oxygen = vital.oxygen
            if type(oxygen) is Absent:
                continue
            now = oxygen == "oxygen"
            if now and before is False:
                out.append(time)
            before = now
        return out

    def _responses(self, code: str, limb: str | None = None) -> list[int]:
        """Times of everything that counts as a response to an event, in order."""
        family = _RESPONSES.get(code, _ANY)
        known = self._known_responses.get((family, limb))
        if known is None:
            known = self._known_responses[family, limb] = self._find_responses(family, limb)
        return known

    def _find_responses(self, family: frozenset[str], limb: str | None) -> list[int]:
        found = [
            t
            for t, a in self.actions
            if a.action in family
            and (limb is None or type(a.side) is Absent or type(a.site) is Absent or limb_of(a.side, a.site) == limb)
        ]
        if "oxygen_given" in family:
            found += self.oxygen_on
        if "head_raised" in family or "posture_changed" in family:
            raised = _RAISED if "head_raised" in family else _RAISED | {"supine"}
            found += [t for t, p in self.line.postures[1:] if p.posture in raised]
        if limb is not None and limb in self.line.limbs:
            found += [t for x in self.line.limbs[limb].devices if (t := x.off.epoch) is not None]
        return sorted(found)

    @staticmethod
    def _within(points: list[int], start: int, limit: int) -> int | None:
        """The first point from ``start`` on that is no later than ``limit`` after it, less ``ROUNDING``; else None."""
        at = bisect_right(points, start - 1)
        if at < len(points) and points[at] - start - ROUNDING <= limit:
            return points[at]
        return None

    def _judge(self, readings: list[_Reading], responses: list[int], again: list[int]) -> None:
        """Say of every reading whether there was a response, and a recheck after it. ``again``: times of all readings."""
        for reading in readings:
            response = self._within(responses, reading.time, RESPONSE)
            reading.responded = response is not None
            if response is not None:
                after = max(response, reading.time + 1)
                at = bisect_left(again, after)
                reading.rechecked = at < len(again) and again[at] - response - ROUNDING <= RECHECK

    def _runs(self, readings: list[_Reading], order: list[int]) -> Iterator[list[_Reading]]:
        """Abnormal readings in a row, in one unit's care, before or after control. ``order``: times of all readings."""
        place_of = {time: index for index, time in enumerate(order)}
        run: list[_Reading] = []
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

    def _set_at(self, fact: FactBuilder, time: int | None, in_care: bool) -> None:
        self.line.set_at(fact, time)
        fact.set("in_care", in_care)

    # ------------------------------------------------------------ from readings

    def _baseline(self) -> tuple[int, int] | None:
        """(time, tenths of mmHg) of the last EtCO2 before the first sedative, else of the first after control."""
        first = self.line.sedatives[0] if self.line.sedatives else None
        values = [(t, scaled(v.etco2_mmhg, "mm[Hg]")) for t, v in self.vitals if type(v.etco2_mmhg) is not Absent]
        if first is not None:
            before = [pair for pair in values if pair[0] <= first]
            if before:
                return before[-1]
        after = [pair for pair in values if self.line.control is None or pair[0] >= self.line.control]
        return after[0] if after else None

    def from_vitals(self) -> Iterator[FactBuilder]:
        """One event for every run of abnormal readings of one quantity."""
        # The worst of a column shows at once that a quantity never went wrong, as most do not.
        columns = dict(zip(_MEMBERS, zip(*[_row(vital) for _, vital in self.vitals], strict=True), strict=False))
        for quantity in _QUANTITIES if columns else ():
            limit = self._limits.get(quantity.code, quantity.limit)
            rise = quantity.code == "etco2_rise"
            worst = quantity.worst(columns)
            if worst is None or (worst > limit if quantity.low else worst < (RISE_FROM if rise else limit)):
                continue
            column = quantity.column(self.vitals)
            if rise:
                column = self._rises(column)
            abnormal = [entry for entry in column if (entry[2] <= limit if quantity.low else entry[2] >= limit)]
            if not abnormal:
                continue
            readings = [self._reading(time, value, vital, quantity) for time, vital, value in abnormal]
            order = list(dict.fromkeys([time for time, _, _ in column]))
            self._judge(readings, self._responses(quantity.code), order)
            for run in self._runs(readings, order):
                yield self._run(quantity, run)

    def _rises(self, column: _Column) -> _Column:
        """How far each EtCO2 is over the first one, in tenths of mmHg; 0 where the rise is not what is judged."""
        baseline = self._baseline()
        if baseline is None:
            return []
        # From 50 mmHg on the reading itself is judged.
        return [(t, v, x - baseline[1] if RISE_FROM <= x < 500 else 0) for t, v, x in column if t >= baseline[0]]

    def from_untimed(self) -> Iterator[FactBuilder]:
        """One event for the abnormal readings of one quantity without a time.

        What followed cannot be told, unless no response is charted at all.
        """
        monitoring = self.line.episode.monitoring
        untimed = [v for v in items(monitoring.vitals) if type(v.time) is Absent]
        for quantity in _QUANTITIES if untimed else ():
            if quantity.code == "etco2_rise":
                continue  # without a time nobody knows which reading came first
            worst = min if quantity.low else max
            limit = self._limits.get(quantity.code, quantity.limit)
            found = [
                (value, v)
                for _, v, value in quantity.column((0, vital) for vital in untimed)
                if (value <= limit if quantity.low else value >= limit)
            ]
            if found:
                ours = all(v.before_care is not True for _, v in found)
                places = [place(v, quantity.member) for _, v in found]
                yield self._untimed(quantity.code, worst(value for value, _ in found), places, ours, None)
        for check in items(monitoring.limb_checks):
            if type(check.time) is not Absent:
                continue
            refill = 0 if type(check.cap_refill_s) is Absent else scaled(check.cap_refill_s, "s")
            absent, longer = check.pulse == "absent", check.cap_refill_other_side == "longer"
            if absent or longer or refill > 20:
                limb = limb_of(check.side, check.site)
                fact = self._untimed("limb_circulation", refill, [place(check)], True, limb)
                fact.set("absent_pulse", absent)
                fact.set("longer_than_other_side", longer)
                fact.set("refill", refill)
                yield fact

    def _untimed(self, code: str, worst: int, places: list[Evidence], in_care: bool, limb: str | None) -> FactBuilder:
        fact = FactBuilder("event", f"{code}:{limb}:untimed" if limb else f"{code}:untimed", tuple(places))
        fact.set("code", code)
        fact.set("limb", limb)
        fact.set("worst", worst)
        fact.set("readings", len(places))
        family = _RESPONSES.get(code, _ANY)
        charted = any(a.action in family for a in items(self.listed_actions)) or bool(self._responses(code, limb))
        silent = type(self.listed_actions) is Absent and self.listed_actions.state == "not_collected"
        if charted or silent:
            names = ("unanswered", "unanswered_worst", "unrechecked", "unrechecked_worst", "answered_worst")
            fact.unknown((*names, "under_age_limit"), "not_collected" if silent else "missing")
        else:
            fact.set("unanswered", True)
            fact.set("unanswered_worst", worst)
            fact.set("unrechecked", False)
            months = self.age_months
            fact.set("under_age_limit", None if months is None else max(0, scales.sbp_limit(months) - worst))
        self._set_at(fact, None, in_care)
        self._circumstances(fact, None)
        return fact

    def _reading(self, time: int, value: int, vital: record.VitalSet, quantity: Quantity) -> _Reading:
        line = self.line
        in_care = line.ours(vital.before_care, time)
        member = quantity.member
        if member == "glucose_mg_dl" and vital.glucose_reading == "low":
            member = "glucose_reading"
        where = place(vital, None if type(getattr(vital, member)) is Absent else member, member_label(quantity.member))
        return _Reading(time, value, where, in_care, None if line.control is None else time >= line.control)

    def _run(self, quantity: Quantity, run: list[_Reading]) -> FactBuilder:
        worst = min if quantity.low else max
        fact = FactBuilder("event", quantity.code, tuple(r.where for r in run))
        fact.know(
            code=quantity.code,
            worst=worst([r.value for r in run]),
            readings=len(run),
            lasted=run[-1].time - run[0].time,
            etco2_watched=all(self._watched(r.time) for r in run),
        )
        self._answers(fact, run, worst, quantity.code)
        if quantity.code == "sbp_low" and self.age_months is not None:
            limit = scales.sbp_limit(self.age_months)
            fact.know(
                under_age_limit=max([0] + [limit - r.value for r in run if not r.responded]),
                under_age_limit_unrechecked=max(
                    [0] + [limit - r.value for r in run if r.responded and not r.rechecked]
                ),
                under_age_limit_answered=max([0] + [limit - r.value for r in run if r.rechecked]),
            )
        else:
            fact.unknown(("under_age_limit", "under_age_limit_unrechecked", "under_age_limit_answered"), "missing")
        fact.span = (run[0].time, run[-1].time)
        self._set_at(fact, run[0].time, run[0].in_care)
        self._circumstances(fact, run[0].time)
        return fact

    def _answers(self, fact: FactBuilder, run: list[_Reading], worst: Callable[..., int], code: str) -> None:
        without = [r for r in run if not r.responded]
        alone = [r for r in run if r.responded and not r.rechecked]
        both = [r for r in run if r.rechecked]
        for name, chosen in (("unanswered", without), ("unrechecked", alone), ("answered", both)):
            if chosen:
                where = tuple([r.where for r in chosen])
                fact.evidence[name] = fact.evidence[f"{name}_worst"] = where
                fact.spans[name] = fact.spans[f"{name}_worst"] = (chosen[0].time, chosen[-1].time)
        if alone:
            # What is not there is a second look.
            second: MemberName = "limb_checks" if code == "limb_circulation" else "vitals"
            where = (*fact.evidence["unrechecked"], place(self.line.episode.monitoring, second))  # type: ignore[arg-type]
            fact.evidence["unrechecked"] = fact.evidence["unrechecked_worst"] = where
        untimed = [time for action, time in self.untimed_actions if action in _RESPONSES.get(code, _ANY)]
        if without and untimed:
            # A response without a time may be the missing one.
            fact.unknown(
                ("unanswered", "unanswered_worst", "unrechecked", "unrechecked_worst", "answered_worst"),
                state_of(*untimed),
            )
            return
        if type(self.listed_actions) is Absent and self.listed_actions.state == "not_collected" and without:
            # A system with no place for actions cannot show a response.
            fact.unknown(
                ("unanswered", "unanswered_worst", "unrechecked", "unrechecked_worst", "answered_worst"),
                "not_collected",
            )
            return
        fact.know(unanswered=bool(without), unrechecked=bool(alone))
        for name, chosen in (("unanswered_worst", without), ("unrechecked_worst", alone), ("answered_worst", both)):
            fact.set(name, worst([r.value for r in chosen]) if chosen else None)

    def _watched(self, time: int) -> bool:
        etco2 = self._near(self.etco2, time) or intervals.inside(time, self.capnography)
        return etco2 and self._near(self.breathing, time)

    @staticmethod
    def _near(points: list[int], time: int) -> bool:
        at = bisect_left(points, time - WATCH)
        return at < len(points) and points[at] <= time + WATCH

    # ------------------------------------------------------------ from limb and breathing checks

    def from_limb_checks(self) -> Iterator[FactBuilder]:
        """One event for every run of abnormal checks of one limb."""
        for limb in LIMBS:
            own = [(t, c) for t, c in self.line.checks[limb] if type(c.not_done) is Absent or c.pulse == "absent"]
            readings = []
            for time, check in own:
                slow: Any = check.cap_refill_s
                absent, longer = check.pulse == "absent", check.cap_refill_other_side == "longer"
                if not absent and not longer and (type(slow) is Absent or slow <= 2):
                    continue
                refill = 0 if type(slow) is Absent else scaled(slow, "s")
                if absent or longer or refill > 20:
                    member: MemberName = (
                        "pulse" if absent else "cap_refill_s" if refill > 20 else "cap_refill_other_side"
                    )
                    reading = _Reading(
                        time,
                        refill,
                        place(check, member),
                        self.line.in_care(time) is not False,
                        None if self.line.control is None else time >= self.line.control,
                    )
                    reading.extra = {"absent": absent, "longer": longer, "refill": refill}
                    readings.append(reading)
            if readings:
                order = sorted({t for t, _ in own})
                self._judge(readings, self._responses("limb_circulation", limb), order)
                for run in self._runs(readings, order):
                    yield self._limb_run(limb, run)

    def _limb_run(self, limb: str, run: list[_Reading]) -> FactBuilder:
        open_ = [r for r in run if not (r.responded and r.rechecked)]
        judged = open_ or run
        fact = FactBuilder("event", f"limb_circulation:{limb}", tuple(r.where for r in run))
        fact.know(
            code="limb_circulation",
            limb=limb,
            absent_pulse=any(r.extra["absent"] for r in judged),
            longer_than_other_side=any(r.extra["longer"] for r in judged),
            refill=max(r.extra["refill"] for r in judged),
            worst=max(r.value for r in run),
            readings=len(run),
            lasted=run[-1].time - run[0].time,
        )
        self._answers(fact, run, max, "limb_circulation")
        fact.span = (run[0].time, run[-1].time)
        self._set_at(fact, run[0].time, run[0].in_care)
        self._circumstances(fact, run[0].time)
        return fact

    def from_breathing_checks(self) -> Iterator[FactBuilder]:
        """One event for each breathing check with absent or agonal breathing, or with a blocked airway."""
        checks = items(self.line.episode.monitoring.breathing_checks)
        for check in checks:
            time = check.time.epoch
            for code, hit in (
                ("breathing_absent", check.breathing in ("absent", "agonal")),
                ("airway_blocked", check.airway == "blocked"),
            ):
                if hit:
                    yield self._charted(code, time, None, place(check), None, Absent("missing"))

    # ------------------------------------------------------------ charted

    def charted(self) -> Iterator[FactBuilder]:
        """One event for each charted event and each arrest seen in vital signs, and for changes after which checks are due."""
        monitoring = self.line.episode.monitoring
        for event in items(monitoring.events):
            limb = None if type(event.side) is Absent or type(event.site) is Absent else limb_of(event.side, event.site)
            yield self._charted(event.event, event.time.epoch, event.end.epoch, place(event), limb, event.before_care)
        yield from self._arrests()
        for time, action in self.actions:
            code = {"ventilated": "ventilated_by_mask", "airway_device": "airway_device"}.get(action.action)
            if code:
                yield self._charted(code, time, None, place(action), None, Absent("missing"))
        for (_, before), (began, posture) in zip(self.line.postures, self.line.postures[1:], strict=False):
            changed = (before.posture, before.head_elevation_deg) != (posture.posture, posture.head_elevation_deg)
            if changed and self.line.control is not None and began > self.line.control:
                yield self._charted("posture_changed", began, None, place(posture), None, Absent("missing"))

    def _arrests(self) -> Iterator[FactBuilder]:
        """An arrest that only a set of vital signs shows: no heart rate, or a rhythm without output."""
        events = items(self.line.episode.monitoring.events)
        known = [t for e in events if e.event == "arrest" and (t := e.time.epoch) is not None]
        before = False
        for time, vital in self.vitals:
            stopped = vital.hr == 0 or vital.rhythm in ("vf", "pea", "asystole")
            if stopped and not before and not any(abs(time - t) <= RESPONSE for t in known):
                where = place(vital, "hr" if vital.hr == 0 else "rhythm")
                yield self._charted("arrest", time, None, where, None, vital.before_care)
            before = stopped

    def _charted(
        self, code: str, time: int | None, end: int | None, where: Evidence, limb: str | None, before: Any
    ) -> FactBuilder:
        fact = FactBuilder("event", f"{code}:{limb}" if limb else code, (where,))
        fact.know(code=code, readings=1)
        fact.set("limb", limb)
        names = ("unanswered", "unrechecked", "check_delay", "check_delay_sure", "no_check_after", "lasted")
        if time is None:
            fact.unknown(names, "missing")
            self._set_at(fact, None, before is not True)
            self._circumstances(fact, None)
            return fact
        fact.span = (time, end if end is not None and end >= time else time)
        fact.set("lasted", end - time if end is not None else None)
        responded = self._within(self._responses(code, limb), time, RESPONSE) is not None
        if not responded and type(self.listed_actions) is Absent and self.listed_actions.state == "not_collected":
            fact.unknown(("unanswered", "unrechecked"), "not_collected")
        else:
            # A reading in the same minute is not one after it.
            again = self._within(self.looks, time + 1, RESPONSE + RECHECK - 1)
            fact.know(unanswered=not responded, unrechecked=responded and again is None)
            fact.evidence["unrechecked"] = (where, place(self.line.episode.monitoring, "vitals"))  # type: ignore[arg-type]
        at = bisect_left(self.looks, time)
        following = self.looks[at] if at < len(self.looks) else None
        fact.know(no_check_after=following is None, etco2_watched=self._watched(time))
        if following is None:
            fact.unknown(("check_delay", "check_delay_sure"), "missing")
        else:
            fact.know(check_delay=following - time, check_delay_sure=max(0, following - time - ROUNDING))
        self._set_at(fact, time, self.line.ours(before, time))
        self._circumstances(fact, time)
        return fact

    # ------------------------------------------------------------ what stood around it

    def _circumstances(self, fact: FactBuilder, time: int | None) -> None:
        """Set what stood around an event: face cover, posture, response for the airway, restraints off, limb checks."""
        line, episode = self.line, self.line.episode
        names = (
            "face_cover_on", "tied_supine", "airway_response", "restraints_off_charted",
            "limb_check_delay", "limb_check_delay_sure", "no_limb_check_after", "limb_check_due",
        )  # fmt: skip
        if time is None:
            fact.unknown(names, "missing")
            return
        covers = episode.custody.face_covers
        fact.set("face_cover_on", covers if type(covers) is Absent else intervals.inside(time, self.covered))
        posture = self.posture_at(time)
        tied = posture is not None and posture.posture == "supine" and intervals.inside(time, line.restrained)
        fact.set("tied_supine", None if posture is None else tied)
        if type(self.listed_actions) is Absent and self.listed_actions.state == "not_collected":
            fact.set("airway_response", None, "not_collected")
        else:
            fact.set("airway_response", self._within(self.airway_taken, time, RESPONSE) is not None)
        removed = self.restraints_removed is not None and self.restraints_removed >= time
        fact.set(
            "restraints_off_charted",
            (removed or not intervals.inside(time, self.own_left_on))
            and not intervals.inside(time, self.police_left_on),
        )
        left_on = [place(x, "off") for x in items(line.limb_items) if type(x.off) is Absent]
        left_on += [place(x, "off") for x in items(line.police_items) if type(x.off) is Absent]
        fact.evidence["restraints_off_charted"] = (*fact.pointers, *left_on)
        self._limb_check(fact, time)

    def _limb_check(self, fact: FactBuilder, time: int) -> None:
        names = ("limb_check_delay", "limb_check_delay_sure", "no_limb_check_after", "limb_check_due")
        line = self.line
        listed = line.episode.monitoring.limb_checks
        named, limbs, due, after = fact.values.get("limb"), set(), False, None
        for limb, spans, points in self.watched_limbs:
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
            untimed = [time for limb in sorted(limbs) for time in self.untimed_checks.get(limb, ())]
            if untimed:
                fact.unknown(names[:3], state_of(*untimed))
                return
        fact.know(no_limb_check_after=after is None)
        where = (*fact.pointers, place(line.episode.monitoring, "limb_checks"))  # type: ignore[arg-type]
        fact.evidence["no_limb_check_after"] = fact.evidence["limb_check_delay_sure"] = where
        if after is None:
            fact.unknown(names[:2], "missing")
        else:
            fact.know(limb_check_delay=after - time, limb_check_delay_sure=max(0, after - time - ROUNDING))

    def posture_at(self, time: int) -> record.Posture | None:
        """The last posture that had begun at a time and not ended."""
        number = self.posture_number(time)
        return None if number is None else self.line.postures[number][1]

    def all(self) -> Iterator[FactBuilder]:
        """Every event."""
        yield from self.from_vitals()
        yield from self.from_untimed()
        yield from self.from_limb_checks()
        yield from self.from_breathing_checks()
        yield from self.charted()
