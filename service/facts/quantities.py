"""The measured quantities that can go wrong, each in one direction, with the reading from which one is looked at."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from operator import attrgetter
from typing import Any

from service.episode import record
from service.episode.absence import Absent
from service.episode.member_names import MemberName

from . import scales
from .builder import scaled
from .timeline import Timeline

#: Tenths of mmHg from which a rise of EtCO2 is looked at: over 45 mmHg (upper end of normal; domain OX-01).
RISE_FROM = 451
#: Tenths of mmHg from which the reading itself is judged and not its rise (50 mmHg; domain OX-02).
HIGH_FROM = 500


#: (epoch, set, reading) of every set that has a reading of a quantity.
Column = list[tuple[int, record.VitalSet, int]]


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

    def may_be(self, readings: EveryReading, limit: int) -> bool:
        """Whether a reading, or a fall or rise of it, can be abnormal: for most quantities none is."""
        found = readings.of(self)
        if not found:
            return False
        if self.low:
            return min(found) <= limit
        highest = max(found)
        if self.code in FALLS:
            lowest, ceiling = FALLS[self.code]
            return any(lowest <= value <= ceiling and highest - value >= limit for value in found)
        return highest >= (RISE_FROM if self.code == "etco2_rise" else limit)

    def column(self, sets: Iterable[tuple[int, record.VitalSet]]) -> Column:
        """(epoch, set, reading) of every set that has one."""
        read, name = self.read, self.member
        if callable(read):
            told = [(time, vital, read(*[getattr(vital, name) for name in self.of])) for time, vital in sets]
            return [(time, vital, value) for time, vital, value in told if value is not None]
        found = [(time, vital, value) for time, vital in sets if type(value := getattr(vital, name)) is not Absent]
        return [(time, vital, scaled(value, read)) for time, vital, value in found] if read else found


class EveryReading:
    """The different readings of each quantity in some sets: a quantity takes far fewer values than there are sets."""

    def __init__(self, sets: Iterable[tuple[int, record.VitalSet]]) -> None:
        self._vitals = [vital for _, vital in sets]
        self._known: dict[tuple[str | Callable[..., int | None], tuple[MemberName, ...]], set[int]] = {}

    def of(self, quantity: Quantity) -> set[int]:
        """Every reading of a quantity, each once; empty where there is none."""
        read, members = quantity.read, quantity.of or (quantity.member,)
        known = self._known.get((read, members))
        if known is None:
            values: set[Any] = set(map(attrgetter(*members), self._vitals))
            if not callable(read):
                known = {scaled(value, read) if read else value for value in values if type(value) is not Absent}
            else:
                told = [read(*value) for value in values] if len(members) > 1 else map(read, values)
                known = {reading for reading in told if reading is not None}
            self._known[read, members] = known
        return known


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


#: End-tidal CO2 in tenths of mmHg under which there is no breath to measure (8 mmHg; common practice, an alarm limit
#: for apnea).
NO_BREATH = 80


def _beating(hr: int | Absent) -> int | None:
    """The heart rate, None where it is 0: the arrest owns that."""
    return None if type(hr) is Absent or hr == 0 else hr


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


def _changed(waveform: str | Absent) -> int | None:
    """0 when the waveform is charted as abnormal, else 1."""
    return None if type(waveform) is Absent else 0 if waveform == "abnormal" else 1


def _ventricular(rhythm: str | Absent) -> int | None:
    """0 in ventricular tachycardia, else 1; a rhythm without output is an arrest."""
    return None if type(rhythm) is Absent else 0 if rhythm == "vt" else 1


#: Quantity that fell -> (lowest, highest reading that is judged by its fall), in parts of ``scaled``; how far is its
#: ``Quantity.limit``. Above, the patient settles; below, the rules about the reading itself begin. SpO2: 5 points and no
#: longer normal (common practice); EtCO2: 10 mmHg, as for a rise, to under 35 (domain OX-01, OX-03); pressure: 40 mmHg
#: to 100 (from memory: the fall that sepsis guidelines call low pressure; NEWS2 gives 2 points up to 100); coma score:
#: 3 points (from memory: head injury guidelines call that fall urgent).
FALLS = {"spo2_fall": (94, 95), "etco2_fall": (301, 349), "sbp_fall": (90, 100), "gcs_fall": (9, 13)}


QUANTITIES = (
    Quantity("spo2_low", "spo2", True, 94, "%"),
    Quantity("rr_low", "rr", True, 0),
    Quantity("rr_high", "rr", False, 25),
    Quantity("etco2_high", "etco2_mmhg", False, 451, "mm[Hg]"),
    Quantity("etco2_low", "etco2_mmhg", True, 300, "mm[Hg]"),
    Quantity("etco2_rise", "etco2_mmhg", False, 100, "mm[Hg]"),
    Quantity("waveform_lost", "etco2_waveform", True, 0, _waveform, ("etco2_mmhg", "etco2_waveform")),
    Quantity("sbp_low", "sbp", True, 0),
    Quantity("hr_high", "hr", False, 130),
    Quantity("hr_low", "hr", True, 40, _beating, ("hr",)),
    Quantity("temperature_high", "temperature_c", False, 381, "Cel"),
    Quantity("temperature_low", "temperature_c", True, 350, "Cel"),
    Quantity("glucose_low", "glucose_mg_dl", True, 699, _glucose, ("glucose_mg_dl", "glucose_reading")),
    Quantity("gcs_low", "gcs_total", True, 8, _gcs, ("gcs_total", "gcs_eye", "gcs_verbal", "gcs_motor")),
    Quantity("oversedation", "agitation_score", True, 0, _deep, ("agitation_score", "agitation_scale")),
    Quantity("reduced_consciousness", "acvpu", True, 0, _reduced, ("acvpu",)),
    Quantity("waveform_abnormal", "etco2_waveform", True, 0, _changed, ("etco2_waveform",)),
    Quantity("ventricular_tachycardia", "rhythm", True, 0, _ventricular, ("rhythm",)),
    Quantity("spo2_fall", "spo2", False, 5, "%"),
    Quantity("etco2_fall", "etco2_mmhg", False, 100, "mm[Hg]"),
    Quantity("sbp_fall", "sbp", False, 40),
    Quantity("gcs_fall", "gcs_total", False, 3, _gcs, ("gcs_total", "gcs_eye", "gcs_verbal", "gcs_motor")),
)


def limits(age_years: int | None, age_months: int | None) -> dict[str, int]:
    """Code of a quantity -> ``Quantity.limit`` for this age."""
    adult = age_years is None or age_years >= 16
    sbp = 100 if adult or age_months is None else scales.sbp_limit(age_months)
    return {"rr_low": scales.rr_low_limit(age_years) - 1, "sbp_low": sbp - 1}


def baseline(line: Timeline) -> tuple[int, int] | None:
    """(time, tenths of mmHg) of the last EtCO2 before the first sedative, else of the first after control."""
    first = line.sedatives[0] if line.sedatives else None
    values = [(t, scaled(v.etco2_mmhg, "mm[Hg]")) for t, v in line.sets if type(v.etco2_mmhg) is not Absent]
    if first is not None:
        before = [pair for pair in values if pair[0] <= first]
        if before:
            return before[-1]
    after = [pair for pair in values if line.control is None or pair[0] >= line.control]
    return after[0] if after else None


def rises(line: Timeline, column: Column) -> Column:
    """How far each EtCO2 is over the first one, in tenths of mmHg; 0 where the rise is not what is judged."""
    first = baseline(line)
    if first is None:
        return []
    return [(t, v, x - first[1] if RISE_FROM <= x < HIGH_FROM else 0) for t, v, x in column if t >= first[0]]


def falls(line: Timeline, code: str, column: Column) -> Column:
    """How far each reading in this unit's care lies under the highest one before it; 0 where the fall is not judged."""
    lowest, ceiling = FALLS[code]
    ours = column[bisect_left(column, line.contact, key=lambda entry: entry[0]) if line.contact is not None else 0 :]
    highest = 0
    out: Column = []
    for time, vital, value in ours:
        highest = max(highest, value)
        out.append((time, vital, highest - value if lowest <= value <= ceiling else 0))
    return out
