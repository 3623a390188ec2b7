"""Places of the record that say two things about one patient."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator

from service.episode import declaration, record
from service.episode.absence import Absent

from . import scales
from .compared import Compared, Spot, each
from .entries import items
from .timeline import ROUNDING, Timeline

#: GCS totals that do not go with a word of ACVPU: (lowest, highest that does). Alert and confused patients open their
#: eyes (GCS of 9 at least), one without any response scores 3 and hardly over 8 (from memory; wide on purpose).
_GCS_OF = {"alert": (10, 15), "confused": (9, 15), "pain": (3, 13), "unresponsive": (3, 8)}
#: Eye opening that does not go with it: (lowest, highest that does).
_EYES_OF = {"alert": (3, 4), "confused": (3, 4), "unresponsive": (1, 1)}
#: Tenths as charted: glucose in mg/dL, SpO2 in percent, temperature in degrees C at which the cause is there.
LOW_GLUCOSE = 70
LOW_SPO2 = 90
HIGH_TEMPERATURE = 40
#: Weights at an age in years, in kg: twice and half of (age + 4) * 2, the estimate taught for 1 to 10 years (from memory).
_AGES_WITH_ESTIMATE = range(1, 11)
#: Seconds between two times of one arrest that are still one time (common practice).
ONE_ARREST = 300


def _pressures(line: Timeline) -> Iterator[Compared]:
    for v in items(line.episode.monitoring.vitals):
        if type(v.sbp) is not Absent and type(v.dbp) is not Absent:
            yield Compared(((v, "sbp"), (v, "dbp")), v.dbp > v.sbp)


def _air_and_flow(line: Timeline) -> Iterator[Compared]:
    for v in items(line.episode.monitoring.vitals):
        if type(v.oxygen) is not Absent and type(v.oxygen_l_min) is not Absent:
            yield Compared(((v, "oxygen"), (v, "oxygen_l_min")), v.oxygen == "air" and v.oxygen_l_min > 0)


def _consciousness(line: Timeline) -> Iterator[Compared]:
    """Of each set: responsiveness, GCS and agitation score against each other."""
    return each(items(line.episode.monitoring.vitals), _scores_of, _scores)


_scores_of = declaration.getter(
    ("acvpu", "gcs_total", "gcs_eye", "gcs_verbal", "gcs_motor", "agitation_scale", "agitation_score")
)


def _scores(v: record.VitalSet) -> Iterator[Compared]:
    total = _total(v)
    deep = _is(scales.DEEP, v, deep=True)
    agitated = _is(scales.SUPPORTS, v, deep=False)
    if type(v.acvpu) is not Absent and v.acvpu in _GCS_OF:
        if total is not None:
            low, high = _GCS_OF[v.acvpu]
            yield Compared(((v, "acvpu"), *_parts(v)), not low <= total <= high)
        if type(v.gcs_eye) is not Absent and v.acvpu in _EYES_OF:
            low, high = _EYES_OF[v.acvpu]
            yield Compared(((v, "acvpu"), (v, "gcs_eye")), not low <= v.gcs_eye <= high)
    if deep is None or agitated is None:
        return
    if total is not None:
        yield Compared(((v, "agitation_score"), *_parts(v)), (deep and total >= 13) or (agitated and total <= 8))
    if type(v.acvpu) is not Absent:
        awake, gone = v.acvpu in ("alert", "confused"), v.acvpu in ("pain", "unresponsive")
        yield Compared(((v, "agitation_score"), (v, "acvpu")), (deep and awake) or (agitated and gone))


def _total(v: record.VitalSet) -> int | None:
    if type(v.gcs_total) is not Absent:
        return v.gcs_total
    parts = (v.gcs_eye, v.gcs_verbal, v.gcs_motor)
    return None if Absent in map(type, parts) else sum(parts)  # type: ignore[arg-type]


def _parts(v: record.VitalSet) -> tuple[Spot, ...]:
    return ((v, "gcs_total"),) if type(v.gcs_total) is not Absent else ((v, "gcs_eye"), (v, "gcs_motor"))


def _is(steps: dict[str, int], v: record.VitalSet, *, deep: bool) -> bool | None:
    """Whether a score is at a step of its scale or beyond; None without one, False for a scale without that step."""
    if type(v.agitation_scale) is Absent or type(v.agitation_score) is Absent:
        return None
    step = steps.get(v.agitation_scale)
    return step is not None and (v.agitation_score <= step if deep else v.agitation_score >= step)


def _pregnant(line: Timeline) -> Iterator[Compared]:
    patient = line.episode.patient
    if type(patient) is Absent or type(patient.sex) is Absent:
        return
    male = patient.sex == "male"
    if type(patient.pregnant) is not Absent:
        yield Compared(((patient, "sex"), (patient, "pregnant")), male and patient.pregnant is True)
    if type(patient.gestation_weeks) is not Absent:
        yield Compared(((patient, "sex"), (patient, "gestation_weeks")), male)


def _causes(line: Timeline) -> Iterator[Compared]:
    """A cause charted as not found against the readings up to control; glucose at any time."""
    before = [v for t, v in line.own_sets if line.control is None or t <= line.control]
    found = (i for i in items(line.episode.injuries.patient) if (i.kind, i.when) == ("head_injury", "before_contact"))
    hurt = next(found, None)
    for cause in items(line.episode.decision.causes):
        if type(cause.result) is Absent:
            continue
        denied = cause.result == "not_found"
        if cause.cause == "head_injury" and hurt is not None:
            yield Compared(((cause, "result"), (hurt,)), denied)
        if cause.cause == "hypoglycaemia":
            for _, v in line.own_sets:
                if type(v.glucose_mg_dl) is not Absent:
                    low = v.glucose_mg_dl < LOW_GLUCOSE
                    yield Compared(((cause, "result"), (v, "glucose_mg_dl")), denied and low)
                elif type(v.glucose_reading) is not Absent:
                    yield Compared(((cause, "result"), (v, "glucose_reading")), denied and v.glucose_reading == "low")
        for v in before:
            if cause.cause == "hypoxia" and type(v.spo2) is not Absent:
                yield Compared(((cause, "result"), (v, "spo2")), denied and v.spo2 < LOW_SPO2)
            if cause.cause == "hyperthermia" and type(v.temperature_c) is not Absent:
                high = v.temperature_c >= HIGH_TEMPERATURE
                yield Compared(((cause, "result"), (v, "temperature_c")), denied and high)


def _skin(line: Timeline) -> Iterator[Compared]:
    """Skin that is broken under a device against a list of injuries that holds none of this unit's care."""
    injuries = line.episode.injuries
    if type(injuries) is Absent or type(injuries.patient) is Absent:
        return
    none = all(injury.when == "before_contact" for injury in injuries.patient) and not any(
        c.complication in ("skin_injury", "limb_injury") for c in items(injuries.complications)
    )
    checks = [check for check in items(line.episode.monitoring.limb_checks) if type(check.skin) is not Absent]
    for check in [*checks[:1], *(check for check in checks[1:] if check.skin == "broken")]:
        yield Compared(((check, "skin"), (injuries, "patient")), none and check.skin == "broken")
    for item in items(line.limb_items):
        if type(item.skin_at_removal) is not Absent:
            hurt = item.skin_at_removal == "broken"
            yield Compared(((item, "skin_at_removal"), (injuries, "patient")), none and hurt)


def _effect(line: Timeline) -> Iterator[Compared]:
    """A sedative that worked as intended against scores after it that stay at very agitated throughout."""
    scored = [(t, v) for t, v in line.sets if _is(scales.VERY_AGITATED, v, deep=False) is not None]
    for dose in items(line.dose_items):
        time = dose.time.epoch
        after = [v for t, v in scored if time is not None and t > time]
        if type(dose.effect) is Absent or dose.reason == "seizure" or not after:
            continue
        wild = all(_is(scales.VERY_AGITATED, v, deep=False) for v in after)
        places: tuple[Spot, ...] = ((dose, "effect"), *[(v, "agitation_score") for v in after])
        yield Compared(places, dose.effect == "as_intended" and wild)


def _given_and_ruled_out(line: Timeline) -> Iterator[Compared]:
    given = {dose.drug: dose for dose in reversed(items(line.dose_items))}
    for item in items(line.episode.sedation.not_given):
        if item.drug in given and type(item.reason) is not Absent:
            dose = given[item.drug]
            yield Compared(((item, "reason"), (dose, "drug")), item.reason == "contraindicated")


def _alternatives(line: Timeline) -> Iterator[Compared]:
    """A milder measure that worked against the restraint or sedation that came after it all the same."""
    begun = [
        t for t in (line.episode.application.started.epoch, *line.secured[:1], *line.sedatives[:1]) if t is not None
    ]
    for tried in items(line.episode.decision.alternatives):
        time = tried.time.epoch
        if type(tried.result) is not Absent and begun:
            follows = time is None or max(begun) >= time
            yield Compared(((tried, "result"),), tried.result == "worked" and follows)


def _capacity(line: Timeline) -> Iterator[Compared]:
    decision = line.episode.decision
    if type(decision) is Absent or type(decision.capacity) is Absent or not decision.capacity_basis:
        return
    if type(decision.capacity_basis) is Absent:
        return
    able = "able_in_all" in decision.capacity_basis
    unable = any(word.startswith("cannot_") for word in decision.capacity_basis)
    clash = (decision.capacity == "absent" and able) or (decision.capacity == "present" and unable) or (able and unable)
    yield Compared(((decision, "capacity"), (decision, "capacity_basis")), clash)


def _weight(line: Timeline) -> Iterator[Compared]:
    """Weight against age, 1 to 10 years: more than twice, or less than half, of the estimate for the age."""
    patient = line.episode.patient
    if type(patient) is Absent or type(patient.age) is Absent or type(patient.weight_kg) is Absent:
        return
    if patient.age.unit != "a" or patient.age.value not in _AGES_WITH_ESTIMATE:
        return
    estimate = (patient.age.value + 4) * 2
    yield Compared(((patient, "weight_kg"), (patient, "age")), not estimate / 2 <= patient.weight_kg <= 2 * estimate)


def _pregnancy_told(line: Timeline) -> Iterator[Compared]:
    patient, handover = line.episode.patient, line.episode.handover
    if type(patient) is Absent or type(handover) is Absent:
        return
    if type(patient.pregnant) is not Absent and type(handover.told) is not Absent:
        yield Compared(
            ((patient, "pregnant"), (handover, "told")), patient.pregnant is True and "pregnancy" not in handover.told
        )


def _arrest(line: Timeline) -> Iterator[Compared]:
    """Two times of one arrest, or life after a death: the times contradict each other. A missing one contradicts nothing."""
    injuries = line.episode.injuries
    events = [(t, e) for e in items(line.episode.monitoring.events) if e.event == "arrest" and (t := e.time.epoch)]
    for told in items(injuries.complications):
        time = told.time.epoch
        if told.complication == "cardiac_arrest" and time is not None and events:
            near, event = min(events, key=lambda pair: abs(pair[0] - time))
            yield Compared(((told, "time"), (event, "time")), abs(near - time) > ONE_ARREST + ROUNDING)
    died, ended = injuries.death, line.episode.transport.ended
    if type(died) is not Absent and type(died.died) is not Absent and type(ended) is not Absent:
        if type(ended.how) is not Absent:
            clash = (ended.how == "died") is not died.died
            yield Compared(((died, "died"), (ended, "how")), clash)
        if died.time.epoch is not None and ended.how == "died" and ended.time.epoch is not None:
            far = abs(died.time.epoch - ended.time.epoch) > ONE_ARREST + ROUNDING
            yield Compared(((died, "time"), (ended, "time")), far)


DISAGREEMENTS: dict[str, Callable[[Timeline], Iterable[Compared]]] = {
    "diastolic_over_systolic": _pressures,
    "air_and_flow": _air_and_flow,
    "scores_of_consciousness": _consciousness,
    "sex_and_pregnancy": _pregnant,
    "cause_and_reading": _causes,
    "skin_and_injuries": _skin,
    "effect_and_scores": _effect,
    "given_and_ruled_out": _given_and_ruled_out,
    "alternative_worked": _alternatives,
    "capacity_and_basis": _capacity,
    "weight_and_age": _weight,
    "pregnancy_and_told": _pregnancy_told,
    "one_arrest": _arrest,
}
