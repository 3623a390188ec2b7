"""Deterioration and charted events, each with what followed."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from .builder import FactBuilder
from .charted_events import ChartedEvents
from .readings import Readings
from .responses import Responses
from .surroundings import Surroundings
from .timeline import Timeline


def events(line: Timeline, shared: dict[str, Any]) -> Iterator[FactBuilder]:
    """Every event. ``shared``: the ``ep_`` attributes that are known."""
    responses = Responses(line)
    around = Surroundings(line, responses)
    readings = Readings(line, shared, responses, around)
    yield from readings.of_vitals()
    yield from readings.untimed()
    yield from readings.of_limb_checks()
    yield from ChartedEvents(line, responses, around).all()
