"""Vital signs that were sent and cannot be read: beside the findings, for nobody judges what nobody can read."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from service.episode.absence import NOT_COLLECTED
from service.episode.pointers import resolve
from service.intake.result import Intake
from service.wording.clock import Clock
from service.wording.headings import sentence
from service.wording.labels import member_label

from .causes import Cause
from .instances import span_document

SEVERITY = "warning"
_BREATHING = ("spo2", "rr", "etco2_mmhg")
_CIRCULATION = ("hr", "sbp", "dbp", "rhythm", "temperature_c", "glucose_mg_dl")

#: (sort key as of ``Unjudged.most_urgent_first``, entry of ``unjudged``).
Told = tuple[tuple[Any, ...], dict[str, Any]]


def unread(intake: Intake, clock: Clock, severities: Sequence[str], concerns: Sequence[str]) -> list[Told]:
    """One entry for each vital sign that was sent in some set and cannot be read there. It has no rule."""
    by_sign: dict[str, list[str]] = {}
    for pointer in intake.unread:
        by_sign.setdefault(pointer.rpartition("/")[2], []).append(pointer)
    return [_told(sign, pointers, intake, clock, severities, concerns) for sign, pointers in by_sign.items()]


def _told(
    sign: str,
    pointers: Sequence[str],
    intake: Intake,
    clock: Clock,
    severities: Sequence[str],
    concerns: Sequence[str],
) -> Told:
    label = sentence(member_label(sign))
    cause = Cause(f"/monitoring/vitals/*/{sign}", NOT_COLLECTED.state)
    instances, start = [], None
    for pointer in pointers:
        time = resolve(intake.episode, pointer.rpartition("/")[0]).time.epoch
        start = time if start is None or (time is not None and time < start) else start
        at = "" if time is None else f" at {clock.text(time)}"
        instances.append(
            {
                "message": f"{label}{at} was sent and cannot be read.",
                "span": None if time is None else span_document((time, time), clock),
                "pointers": [{intake.language: intake.locate(pointer), "label": member_label(sign)}],
            }
        )
    more = f" {len(pointers) - 1} more of it cannot be read." if len(pointers) > 1 else ""
    concern = "breathing" if sign in _BREATHING else "circulation" if sign in _CIRCULATION else "consciousness"
    key = (severities.index(SEVERITY), concerns.index(concern), start is None, start or 0, "", (cause,))
    return key, {
        "rule": None,
        "outcome": "not_assessable",
        "severity": SEVERITY,
        "concern": concern,
        "title": "A vital sign that cannot be read",
        "message": f"{instances[0]['message']}{more} Look at it in the chart: no rule has judged it.",
        "because": [{"path": cause.path, "state": cause.state}],
        "instances": instances,
    }
