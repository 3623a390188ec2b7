"""Facts about devices on limbs, police devices, face covers and belts."""

from __future__ import annotations

from collections.abc import Iterator

from service.episode import record
from service.episode.absence import Absent

from .builder import FactBuilder
from .entries import items
from .fact import place
from .other_forms import officer
from .timeline import Timeline, applied_here, limb_of, unknown_end

#: How far the officer is who can free the patient.
_AWAY = {"aboard": 0, "immediately_available": 0, "following": 1, "none": 2}


def devices(line: Timeline) -> Iterator[FactBuilder]:
    """One fact for each device on a limb, police device and face cover."""
    episode = line.episode
    checkers = {p.id for p in items(episode.team.members) if isinstance(p.id, str)}
    for item in items(line.limb_items):
        limb = limb_of(item.side, item.site)
        fact = _device(line, item, "limb_restraint", item.device, f"limb:{limb}:{item.site}")
        fact.set("limb", limb)
        fact.know(applied_here=applied_here(item), secured_after_start=type(item.on) is not Absent)
        fact.set("key_at_hand", episode.custody.key_at_hand)
        fact.evidence["key_at_hand"] = (*fact.pointers, place(episode.custody, "key_at_hand"))  # type: ignore[arg-type]
        # Not said who put it on: a device in this unit's list is its own.
        fact.know(by_this_service=applied_here(item))
        fact.set(
            "cross_checked",
            item.checked_by if type(item.checked_by) is Absent else not checkers or item.checked_by in checkers,
        )
        yield fact
    where_officer, said = officer(line)
    for device in items(line.police_items):
        fact = _device(line, device, "police", device.device, f"police:{device.device}")
        fact.set("by_this_service", False)
        fact.set("officer", where_officer)
        fact.set("officer_away", where_officer if type(where_officer) is Absent else _AWAY[where_officer])
        fact.set("key_at_hand", episode.custody.key_at_hand)
        fact.evidence["officer"] = fact.evidence["officer_away"] = (*fact.pointers, *said)
        fact.evidence["key_at_hand"] = (*fact.pointers, place(episode.custody, "key_at_hand"))  # type: ignore[arg-type]
        yield fact
    for cover in items(episode.custody.face_covers):
        fact = _device(line, cover, "face_cover", cover.cover, f"face:{cover.cover}")
        flow = cover.oxygen_l_min
        fact.set("oxygen_flowing", flow if type(flow) is Absent else flow > 0)
        yield fact


def _device(
    line: Timeline,
    item: record.LimbRestraint | record.PoliceDevice | record.FaceCover,
    group: str,
    name: str | Absent,
    key: str,
) -> FactBuilder:
    fact = FactBuilder("device", key, (place(item),))
    fact.members(item, line.wanted("device"))
    fact.know(device_group=group)
    fact.set("name", name)
    start, end = item.on.epoch, item.off.epoch
    last = end if end is not None else line.care_end
    if end is not None and line.contact is not None:
        fact.set("in_care", end > line.contact)
    else:
        fact.set("in_care", True)
    reach = start if start is not None else line.contact
    if reach is None or unknown_end(item.off, item.replaced if isinstance(item, record.PoliceDevice) else None):
        fact.unknown(("in_transport", "after_loading"), "missing")
    else:
        fact.set("in_transport", line.in_transport(reach, last))
        fact.set("after_loading", None if line.loaded is None else last is None or last > line.loaded)
        fact.span = (reach, max(reach, last if last is not None else reach))
    line.set_at(fact, start)
    return fact


def belts(line: Timeline) -> Iterator[FactBuilder]:
    """One fact a belt."""
    for belt in items(line.episode.stretcher.belts):
        fact = FactBuilder("belt", belt.place, (place(belt),))
        fact.members(belt, line.wanted("belt"))
        fact.set("on_chest", belt.place in ("chest", "abdomen"))
        yield fact
