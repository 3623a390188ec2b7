"""Deterioration and charted events, each with what followed."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from .builder import FactBuilder
from .charted_events import ChartedEvents
from .quantities import QUANTITIES
from .readings import Readings
from .responses import Responses
from .surroundings import Surroundings
from .timeline import Timeline

#: Code of an event that is worked out from other than vital signs -> where it is told.
_TOLD_AT = {
    "limb_circulation": "/monitoring/limb_checks",
    "limb_altered": "/monitoring/limb_checks",
    **dict.fromkeys(
        ("breathing_absent", "breathing_labored", "breathing_shallow", "airway_blocked", "airway_partly_blocked"),
        "/monitoring/breathing_checks",
    ),
    "harm": "/injuries/complications",
    "ventilated_by_mask": "/monitoring/actions",
    "airway_device": "/monitoring/actions",
}


def told_at(code: str) -> tuple[str, ...]:
    """Paths of the record at which an event of a code is told (``*`` for indexes): members, or a list as a whole."""
    members = dict.fromkeys(m for q in QUANTITIES if q.code == code for m in q.of or (q.member,))
    worked_out = tuple(f"/monitoring/vitals/*/{member}" for member in ("time", *members))
    return worked_out if members else (_TOLD_AT.get(code, "/monitoring/events"),)


def events(line: Timeline, shared: dict[str, Any]) -> Iterator[FactBuilder]:
    """Every event. ``shared``: the ``ep_`` attributes that are known."""
    responses = Responses(line)
    around = Surroundings(line, responses)
    readings = Readings(line, shared, responses, around)
    yield from readings.of_vitals()
    yield from readings.untimed()
    yield from readings.of_limb_checks()
    yield from ChartedEvents(line, responses, around).all()
