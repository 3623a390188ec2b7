"""What the whole episode says of how the restraints went on."""

from __future__ import annotations

from service.episode.absence import Absent

from .builder import FactBuilder, state_of
from .places import where
from .timeline import ROUNDING, Timeline


def _limb_set(limbs: set[str]) -> str:
    arms, legs = limbs & {"right_arm", "left_arm"}, limbs & {"right_leg", "left_leg"}
    if len(limbs) in (0, 1, 3, 4):
        return {0: "none", 1: "single", 3: "three", 4: "four"}[len(limbs)]
    return "both_arms" if len(arms) == 2 else "both_legs" if len(legs) == 2 else "arm_and_leg"


def application(fact: FactBuilder, line: Timeline) -> None:
    """Set which limbs were restrained together, in which order, and when that was done."""
    episode = line.episode
    names = (
        "limb_set",
        "one_limb_left",
        "completed_before_departure",
        "began_before_departure",
        "head_released_last",
    )
    if type(line.limb_items) is Absent:
        fact.unknown(names, line.limb_items.state)
        return
    where(fact, names, episode, "application", "limbs")
    own = {name: limb for name, limb in line.limbs.items() if limb.own}
    fact.set("limb_set", _limb_set(set(own)))
    fact.set("one_limb_left", _one_left(line))
    last = line.secured[-1] if line.secured else None
    before = None if line.departed is None or last is None else last <= line.departed
    left = state_of(episode.transport.departed, *(i.on for i in line.limb_items))
    fact.set("completed_before_departure", before, left)
    began = None if line.departed is None or last is None else line.secured[0] <= line.departed
    fact.set("began_before_departure", began, left)
    released = episode.application.head_released.epoch
    fact.derive(
        "head_released_last",
        None if released is None or last is None else released >= last,
        episode.application.head_released,
    )
    where(fact, ("head_released_last",), episode, "application", "head_released")


def _one_left(line: Timeline) -> bool | None:
    """Whether devices taken off before transfer of care left one limb alone restrained for more than a minute."""
    if not all(limb.known and not limb.open for limb in line.limbs.values()):
        return None
    spans = [span for limb in line.limbs.values() for span in limb.own_spans]
    ends = sorted({end for _, end in spans})
    for end in ends:
        if line.care_end is not None and end >= line.care_end:
            continue
        still = [s for s in spans if s[0] <= end < s[1]]
        changes = [t for span in spans for t in span if t > end]
        if len(still) == 1 and len(spans) > 1 and min(changes, default=end) - end > ROUNDING:
            return True
    return False
