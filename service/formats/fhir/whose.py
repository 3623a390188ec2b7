"""Whose restraint a Bundle tells of, and which of its resources are of another patient, encounter or day."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

from .chart import Chart
from .procedures import is_restraint
from .profile import EPISODE
from .refusals import refuse
from .tree import El, Index, Resource

#: Types that may be of an earlier encounter of the patient.
HISTORY = frozenset({"AllergyIntolerance", "Condition"})


def _subject(el: El) -> El:
    return el.first("patient", "subject")


def _run(el: El) -> El:
    return el.first("encounter", "context")


@dataclass(frozen=True, slots=True)
class Whose:
    """Patient and encounter of the restraint: the resources, if they are in the Bundle, and their keys (``Index.key``).

    ``first_day`` and ``last_day``: a day around the restraint; nothing outside is used.
    """

    patient: Resource | None
    patient_key: str
    encounter: Resource | None
    encounter_key: str
    first_day: date
    last_day: date


def whose_of(index: Index) -> Whose:
    """Whose restraint the Bundle tells of. Raises Rejected (422 ``several-charts``)."""
    marked = [el for el in index.resources if el.is_own(EPISODE)]
    if len(marked) > 1:
        refuse("several-charts", "")
    acts = marked or [el for el in index.of_kind("Procedure") if is_restraint(el)]
    subjects = {key for el in acts if (key := index.key(_subject(el)))}
    runs = {el.at for el in marked} or {key for el in acts if (key := index.key(_run(el)))}
    patients = {el.at: el for el in index.of_kind("Patient")}
    encounters = {el.at: el for el in (*index.of_kind("Encounter"), *marked)}
    if len(subjects) > 1 or len(runs) > 1 or (acts and not subjects and len(patients) > 1):
        refuse("several-charts", "")
    whose = next(iter(subjects or (patients if len(patients) == 1 else ())), "")
    run = next(iter(runs or (encounters if len(encounters) == 1 else ())), "")
    days = [] if marked else [day for el in acts for day in _days(el)]
    first, last = (min(days), max(days)) if days else (date.min, date.max)
    if days and date.min < first and last < date.max:
        first, last = first - timedelta(days=1), last + timedelta(days=1)
    return Whose(patients.get(whose), whose, encounters.get(run), run, first, last)


def _days(el: El) -> list[date]:
    """The calendar days on which a resource begins and ends, as charted."""
    found = []
    for stem in ("effective", "performed", "timing"):
        name, when = el.choice(stem, "DateTime", "Instant", "Period")
        if when.value is None:
            continue
        for text in (when.text_of("start"), when.text_of("end")) if name == "Period" else (when.text,):
            try:
                found.append(date.fromisoformat(text[:10]))
            except ValueError:
                continue
    return found


def foreign(chart: Chart, el: Resource, whose: Whose) -> bool:
    """Whether a resource is of another patient, encounter or day; a notice says so."""
    patient, run = chart.index.key(_subject(el)), chart.index.key(_run(el))
    if patient and whose.patient_key and patient != whose.patient_key:
        chart.notice("other-patient", el.at)
        return True
    if run and whose.encounter_key and run != whose.encounter_key and el.kind not in HISTORY:
        chart.notice("other-encounter", el.at)
        return True
    if whose.first_day == date.min and whose.last_day == date.max:
        return False  # no day is too far off
    days = _days(el)
    if days and (max(days) < whose.first_day or min(days) > whose.last_day):
        chart.notice("other-day", el.at)
        return True
    return False
