"""How long a patient was calm under restraint and nobody looked at whether it was still needed."""

from __future__ import annotations

from bisect import bisect_right

from service.episode.absence import Absent

from . import intervals, scales
from .entries import items
from .timeline import ROUNDING, Timeline


def calm_time(line: Timeline) -> int:
    """Longest time in seconds, less 60, from one calm score to the last of a run of them, under devices of this crew.

    A score that is not calm, a reassessment of the need and a sedative end a run. 0 without two scores in a row.
    """
    looks = [t for look in items(line.episode.reassessments) if (t := look.time.epoch) is not None]
    ends = sorted([*looks, *line.sedatives])
    strapped = intervals.union([span for limb in line.limbs.values() for span in limb.own_spans])
    reviewed = frozenset(looks)
    found: list[intervals.Span] = []
    began: int | None = None
    for time, vital in line.sets:
        scale, score = vital.agitation_scale, vital.agitation_score
        if type(scale) is Absent or type(score) is Absent:
            continue
        if score > scales.CALM[scale] or not intervals.inside(time, strapped) or time in reviewed:
            began = None
            continue
        if began is not None and bisect_right(ends, time) > bisect_right(ends, began):
            began = None
        began = time if began is None else began
        found.append((began, time))
    worst = intervals.longest(found)
    return 0 if worst is None else max(0, worst[1] - worst[0] - ROUNDING)
