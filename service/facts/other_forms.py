"""Members that can be charted in two forms, the short one of release 0.1.0 and a fuller one: what the fuller one comes to."""

from __future__ import annotations

from typing import Any

from service.episode.absence import Absent

from .entries import items
from .fact import Evidence, place
from .timeline import Timeline

#: Where the officer was, the least safe first.
_OFFICER = ("none", "following", "immediately_available", "aboard")


def officer(line: Timeline) -> tuple[str | Absent, tuple[Evidence, ...]]:
    """(the officer during transport, where that stands): as charted, else the least safe span that reaches into it."""
    custody = line.episode.custody
    if type(custody) is Absent:
        return custody, ()
    spans = [
        span
        for span in items(custody.officer_spans)
        if (start := span.start.epoch) is None or line.in_transport(start, span.end.epoch) is not False
    ]
    if type(custody.officer) is not Absent or not spans:
        return custody.officer, (place(custody, "officer"),)
    least = min(spans, key=lambda span: _OFFICER.index(span.officer))
    return least.officer, (place(least, "officer"),)


def communication_need(line: Timeline) -> tuple[str | Absent, tuple[Evidence, ...]]:
    """(the first need, "none" without one, where that stands): as charted, else of the list of needs."""
    patient = line.episode.patient
    if type(patient) is Absent:
        return patient, ()
    needs: Any = patient.communication_needs
    if type(patient.communication_need) is not Absent or type(needs) is Absent:
        return patient.communication_need, (place(patient, "communication_need"),)
    return (needs[0] if needs else "none"), (place(patient, "communication_needs"),)
