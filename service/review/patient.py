"""Whether the patient is still with the crew: said once for the whole review."""

from __future__ import annotations

from typing import Any

from service.episode import record
from service.episode.absence import MISSING
from service.episode.moment import Moment

_TEXTS = {
    "died": "The patient has died. Tell the hospital and the medical director what is shown here.",
    "released": "The patient was released. Tell whoever looks after the patient now what is shown here.",
    "transferred": "Care has passed on. Tell the receiving clinician now what is shown here.",
    "with_crew": "The patient is with the crew. Look at the patient now.",
    "unknown": "The chart does not say whether the patient is still with the crew. If so, look at the patient now; if not, tell the receiving clinician.",
}


def patient(episode: record.Episode, *, running: bool) -> dict[str, Any]:
    """``{state, text}``, and ``at`` where that is charted. ``running``: the call is not over."""
    death, ended, handover = episode.injuries.death, episode.transport.ended, episode.handover.time
    if death.died is True:
        state, at = "died", death.time
    elif ended.how == "died":
        state, at = "died", ended.time
    elif isinstance(ended.how, str) and ended.how != "other":
        state, at = "released", ended.time
    elif isinstance(handover, Moment):
        state, at = "transferred", handover
    else:
        state, at = ("with_crew" if running else "unknown"), MISSING
    out = {"state": state}
    if isinstance(at, Moment):
        out["at"] = at.text
    return {**out, "text": _TEXTS[state]}
