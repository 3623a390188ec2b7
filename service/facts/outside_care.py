"""Times that lie outside this unit's care, or far from where they belong."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import Any

from service.episode.absence import Absent
from service.episode.declaration import Node
from service.episode.member_names import MemberName

from . import intervals
from .compared import Compared
from .entries import items
from .timeline import CLOCKS, ROUNDING, Timeline, applied_here

#: Seconds before contact that an entry without ``before_care`` may still be of help by others on scene (common practice).
HELP_BEFORE = 2 * 3600
#: Seconds after transfer of care in which a crew may still take its straps off (common practice).
STRAPS_OFF = 1800
#: Seconds between contact or transfer of care and officers who came or left at another time of day (common practice).
OTHER_DAY = 12 * 3600


def _bounds(line: Timeline) -> bool:
    return line.contact is not None or line.care_end is not None


def _entries(line: Timeline) -> Iterator[Compared]:
    """Sets, events, checks, actions and looks at the need: each that lies outside care."""
    if not _bounds(line):
        return
    watch = line.episode.monitoring
    lists: tuple[Iterable[Any], ...] = (
        items(watch.vitals),
        items(watch.events),
        items(watch.actions),
        items(watch.limb_checks),
        items(watch.breathing_checks),
        items(line.episode.reassessments),
    )
    # One entry that agrees is enough: of those between these two each does.
    low = intervals.ALWAYS[0] if line.contact is None else line.contact - CLOCKS
    high = intervals.ALWAYS[1] if line.care_end is None else line.care_end + CLOCKS
    agrees = False
    for listed in lists:
        for entry in listed:
            time = entry.time.epoch
            if time is None or (agrees and low <= time <= high):
                continue
            before = getattr(entry, "before_care", None)
            if before is not True:
                outside = line.outside_care(time, CLOCKS if before is False else HELP_BEFORE, CLOCKS)
                agrees = agrees or not outside
                yield Compared(((entry, "time"),), outside)


def _decision(line: Timeline) -> Iterator[Compared]:
    """The decision: before this unit was there, after its care, or after the restraint that follows from it."""
    decision, application = line.episode.decision, line.episode.application
    time = decision.time.epoch
    own = [item for item in items(line.limb_items) if applied_here(item)]
    if time is None or type(decision) is Absent or (items(line.limb_items) and not own):
        return  # who takes over what others decided has no decision of its own
    begun = application.started.epoch
    # A planned transfer may be ordered long before the crew comes.
    ordered = line.episode.transport.call in ("transfer_between_facilities", "planned")
    if _bounds(line):
        yield Compared(((decision, "time"),), line.outside_care(time, OTHER_DAY if ordered else CLOCKS, 0))
    if begun is not None and type(application) is not Absent:
        yield Compared(((decision, "time"), (application, "started")), time > begun + CLOCKS)


def _removed(line: Timeline) -> Iterator[Compared]:
    """The time of removal: outside care, or far from when the last device came off."""
    handover = line.episode.handover
    time = handover.removed_time.epoch
    if time is None or type(handover) is Absent:
        return
    if _bounds(line):
        yield Compared(((handover, "removed_time"),), line.outside_care(time, 0, STRAPS_OFF))
    off = [(t, item) for item in items(line.limb_items) if (t := item.off.epoch) is not None]
    if off and len(off) == len(items(line.limb_items)):
        last, item = max(off, key=lambda pair: pair[0])
        yield Compared(((handover, "removed_time"), (item, "off")), abs(last - time) > CLOCKS + ROUNDING)


def _officers(line: Timeline) -> Iterator[Compared]:
    """When officers came and left: turned round, after care, or on another day."""
    custody = line.episode.custody
    came, left = custody.arrived.epoch, custody.left.epoch
    if type(custody) is Absent:
        return
    if came is not None and left is not None:
        yield Compared(((custody, "arrived"), (custody, "left")), left < came)
    if not _bounds(line):
        return
    if came is not None:
        yield Compared(((custody, "arrived"),), line.outside_care(came, OTHER_DAY, 0))
    if left is not None:
        yield Compared(((custody, "left"),), line.outside_care(left, OTHER_DAY, OTHER_DAY))


def _told_beforehand(line: Timeline) -> Iterator[Compared]:
    """The facility: told before there was a patient, or not beforehand at all."""
    transport = line.episode.transport
    time = transport.facility_told_time.epoch
    if time is None or type(transport) is Absent:
        return
    ends: tuple[tuple[Node | Absent, MemberName, int | None], ...] = (
        (transport, "arrived", line.arrived),
        (line.episode.handover, "time", line.handover),
    )
    if line.contact is not None:
        yield Compared(((transport, "facility_told_time"), (transport, "at_patient")), time < line.contact)
    for node, member, end in ends:
        if end is not None and type(node) is not Absent:
            yield Compared(((transport, "facility_told_time"), (node, member)), time > end)


OUTSIDE_CARE: dict[str, Callable[[Timeline], Iterable[Compared]]] = {
    "entry_outside_care": _entries,
    "decision_time": _decision,
    "removed_time": _removed,
    "officer_times": _officers,
    "facility_told_time": _told_beforehand,
}
