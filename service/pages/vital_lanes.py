"""The lanes of vital signs: measured values as readings over time, scores and rare values as a row of numbers."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

from service.episode import record
from service.episode.absence import Absent
from service.episode.declaration import Node
from service.facts.entries import items
from service.wording.words import number, word

from .lane import Bar, Dot, Lane, Reading
from .limits import Limit

#: List of spans on a monitor -> the reading in whose lane they are drawn.
MONITORS = {"capnography": "etco2_mmhg", "oximetry": "spo2", "ecg": "hr"}
#: Member with a lane of readings -> its title and unit.
_READINGS = {
    "etco2_mmhg": ("EtCO2", "mmHg"),
    "spo2": ("SpO2", "%"),
    "rr": ("Breathing rate", "/min"),
    "hr": ("Heart rate", "/min"),
    "sbp": ("Blood pressure", "mmHg"),
}
#: Member with a lane of numbers or words -> its title and unit.
_SCORES = {
    "acvpu": ("Responsiveness", ""),
    "gcs_total": ("GCS", ""),
    "agitation_score": ("Agitation", ""),
    "glucose_mg_dl": ("Glucose", "mg/dL"),
    "temperature_c": ("Temperature", "°C"),
    "rhythm": ("Rhythm", ""),
    "qtc_ms": ("QTc", "ms"),
    "oxygen": ("Air or oxygen", ""),
}
#: Other members of a set -> the lane in which they are shown.
_SHOWN_WITH = {
    "etco2_waveform": "etco2_mmhg",
    "dbp": "sbp",
    "bp_method": "sbp",
    "gcs_eye": "gcs_total",
    "gcs_verbal": "gcs_total",
    "gcs_motor": "gcs_total",
    "agitation_scale": "agitation_score",
    "glucose_reading": "glucose_mg_dl",
    "oxygen_l_min": "oxygen",
}
#: Member of a set of vital signs -> its lane.
OF_MEMBER = {**{name: name for name in (*_READINGS, *_SCORES)}, **_SHOWN_WITH}

Stain = Callable[..., str | None]


def vital_lanes(
    monitoring: record.Monitoring | Absent,
    stain: Stain,
    limits: Sequence[Limit],
    bar: Callable[[Node, object, object, str, str], list[Bar]],
    none: str,
) -> Iterator[Lane]:
    """A lane for everything that a set of vital signs can hold. ``none``: what an empty one says."""
    sets = [(vital.time.epoch, vital) for vital in items(monitoring.vitals) if vital.time.epoch is not None]
    for name, (title, unit) in _READINGS.items():
        lane = Lane(name, title, none, unit, limits=[limit for limit in limits if limit.member == name])
        for time, vital in sets:
            lane.readings += _readings(name, time, vital, stain)
        for monitor in (monitor for monitor, measured in MONITORS.items() if measured == name):
            for span in items(getattr(monitoring, monitor)):
                lane.watched += bar(span, span.start, span.end, "watch", word(monitor))
        yield lane
    for name, (title, unit) in _SCORES.items():
        lane = Lane(name, title, none, unit)
        members = [name, *(member for member, shown in _SHOWN_WITH.items() if shown == name)]
        for time, vital in sets:
            text = _score(name, vital)
            if text:
                lane.scores.append(Dot(time, text, stain(vital, *members)))
        yield lane
    lane = Lane("vitals", "Vital signs taken", none)
    lane.dots = [Dot(time, "vital signs", stain(vital)) for time, vital in sets]
    yield lane


def _readings(name: str, time: int, vital: record.VitalSet, stain: Stain) -> Iterator[Reading]:
    value = _number(getattr(vital, name))
    if name == "sbp":
        low = _number(vital.dbp)
        if value is not None or low is not None:
            yield Reading(
                time, low if value is None else value, stain(vital, "sbp", "dbp"), None if value is None else low
            )
        return
    if value is not None:
        yield Reading(time, value, stain(vital, name))
    if name == "etco2_mmhg" and vital.etco2_waveform == "lost":
        yield Reading(time, None, stain(vital, "etco2_waveform"))


def _number(value: float | Absent) -> float | None:
    return None if isinstance(value, Absent) else float(value)


def _score(name: str, vital: record.VitalSet) -> str:
    """A value as the row shows it, empty where none is charted."""
    value = getattr(vital, name)
    if name == "gcs_total" and isinstance(value, Absent):
        parts = [_number(part) for part in (vital.gcs_eye, vital.gcs_verbal, vital.gcs_motor)]
        return number(sum(parts)) if None not in parts else ""  # type: ignore[arg-type]
    if name == "glucose_mg_dl" and isinstance(value, Absent):
        return "" if isinstance(vital.glucose_reading, Absent) else f"meter {vital.glucose_reading}"
    if name == "oxygen":
        flow = _number(vital.oxygen_l_min)
        said = [] if isinstance(value, Absent) else [word(value)]
        return " ".join([*said, *([] if flow is None else [f"{number(flow)} L/min"])])
    if isinstance(value, Absent):
        return ""
    if name == "agitation_score":
        signed = vital.agitation_scale != "bars" and value
        scale = "" if isinstance(vital.agitation_scale, Absent) else f"{vital.agitation_scale.upper()} "
        return f"{scale}{value:+d}" if signed else f"{scale}{value}"
    return word(value) if isinstance(value, str) else number(value)
