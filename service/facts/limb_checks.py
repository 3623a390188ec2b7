"""Facts about the checks of one limb that read alike."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from service.episode import declaration, record
from service.episode.absence import Absent

from .builder import FactBuilder, scaled
from .entries import items
from .fact import place
from .timeline import Timeline, limb_of


def checks(line: Timeline) -> Iterator[FactBuilder]:
    """One fact for all checks of one limb that read alike: six checks that all lack the pulse are one finding."""
    groups: dict[tuple[Any, ...], list[record.LimbCheck]] = {}
    for check in items(line.episode.monitoring.limb_checks):
        time = check.time.epoch
        after = None if time is None or line.control is None else time >= line.control
        restrained = None if check.at in line.of_unknown else check.at in line.of_restrained
        alike = (restrained, after, time is None, type(check.by) is Absent, _ALIKE(check))
        groups.setdefault(alike, []).append(check)
    for (restrained, after, *_), same in groups.items():
        yield _check(line, same, restrained, after)


#: The members in which checks that are one fact are equal.
_ALIKE = declaration.getter(
    ("side", "site", "pulse", "cap_refill_s", "cap_refill_other_side", "motor", "sensation", "skin", "not_done")
)


def _check(line: Timeline, same: list[record.LimbCheck], restrained: bool | None, after: bool | None) -> FactBuilder:
    check = same[0]
    limb = limb_of(check.side, check.site)
    fact = FactBuilder("check", limb, tuple([place(each) for each in same]))
    fact.members(check, line.wanted("check"))
    fact.know(limb=limb, attempted=type(check.not_done) is not Absent)
    pulse, refill = check.pulse, check.cap_refill_s
    if type(pulse) is not Absent or type(refill) is not Absent or "declined" in (pulse.state, refill.state):
        fact.know(circulation_charted=True)
    elif "not_collected" in (pulse.state, refill.state):
        fact.set("circulation_charted", None, "not_collected")
    else:
        fact.know(circulation_charted=False)
    states = [x.state for x in (check.motor, check.sensation) if type(x) is Absent]
    if "not_collected" in states:
        fact.set("motor_and_sensation_charted", None, "not_collected")
    else:
        fact.know(motor_and_sensation_charted="missing" not in states)
    fact.set("refill", refill if type(refill) is Absent else scaled(refill, "s"))
    fact.set("limb_restrained", restrained)
    fact.set("after_control", after)
    return fact
