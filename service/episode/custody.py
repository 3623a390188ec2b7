"""What law enforcement did."""

from __future__ import annotations

from .common import ENTERED, ID, V
from .declaration import Code, Flag, Int, Items, Node, Num, Part, Time, member
from .moment import Moment
from .words import SERVICES

OFFICER = ("aboard", "immediately_available", "following", "none")


class PoliceDevice(Node):
    """A restraint device of law enforcement."""

    id: V[str] = member(ID)
    device: str = member(
        Code("The device.", ("handcuffs", "flex_cuffs", "leg_irons", "hobble", "other")), required=True
    )
    site: V[str] = member(
        Code(
            "Where it was.",
            ("wrists_in_front", "wrists_behind_back", "right_wrist_to_stretcher", "left_wrist_to_stretcher", "ankles"),
        )
    )
    on: V[Moment] = member(Time("Put on, if seen."))
    off: V[Moment] = member(Time("Taken off."))
    replaced: V[bool] = member(Flag("Replaced by a device of this unit."))
    entered: V[Moment] = member(ENTERED)


class EnergyWeapon(Node):
    """Use of a conducted energy weapon by law enforcement."""

    used: V[bool] = member(Flag("It was used."))
    cycles: V[int] = member(Int("Number of cycles.", 0, 50))
    weapons: V[int] = member(Int("Number of weapons.", 0, 10))
    longest_cycle_s: V[int] = member(Int("Longest continuous cycle.", 0, 300, "s"))
    probes: V[str] = member(
        Code("Probes.", ("none", "left_in_place", "removed_by_ems", "removed_by_police", "removed_at_hospital"))
    )
    probe_site: V[str] = member(
        Code(
            "Where the probes were.",
            ("trunk", "limb", "above_clavicles", "genitalia", "breast", "bone_or_vessel", "other"),
        )
    )


class Irritant(Node):
    """Use of an irritant spray by law enforcement."""

    used: V[bool] = member(Flag("It was used."))
    time: V[Moment] = member(Time("When."))
    cleaned: V[bool] = member(Flag("The patient was decontaminated."))
    entered: V[Moment] = member(ENTERED)


class FaceCover(Node):
    """Something over the patient's face."""

    id: V[str] = member(ID)
    cover: str = member(
        Code("What it is.", ("surgical_mask", "spit_sock", "non_rebreather", "n95", "cloth", "other")), required=True
    )
    on: V[Moment] = member(Time("Put on."))
    off: V[Moment] = member(Time("Taken off."))
    oxygen_l_min: V[float] = member(Num("Oxygen flow through it.", 0, 100, "L/min"))
    entered: V[Moment] = member(ENTERED)


class Search(Node):
    """Search for weapons before loading."""

    done: V[bool] = member(Flag("It was done."))
    by: V[str] = member(Code("By whom.", SERVICES))


class OfficerSpan(Node):
    """Where the officer was for a stretch of time."""

    id: V[str] = member(ID)
    officer: str = member(Code("Where.", OFFICER), required=True)
    start: V[Moment] = member(Time("From."))
    end: V[Moment] = member(Time("To, if not until the next stretch."))
    entered: V[Moment] = member(ENTERED)


class Custody(Node):
    """Law enforcement and its means."""

    law_enforcement_present: V[bool] = member(Flag("Officers were on scene."))
    arrived: V[Moment] = member(Time("Officers' involvement began."))
    left: V[Moment] = member(Time("Officers' involvement ended."))
    in_custody: V[bool] = member(Flag("The patient was under arrest or in custody."))
    devices: V[tuple[PoliceDevice, ...]] = member(Items("Devices of theirs.", of=PoliceDevice))
    officer: V[str] = member(Code("Officer during transport.", OFFICER))
    officer_spans: V[tuple[OfficerSpan, ...]] = member(Items("The officer by time.", of=OfficerSpan))
    key_at_hand: V[bool] = member(Flag("A key or cutter for the device was at hand during transport."))
    energy_weapon: V[EnergyWeapon] = member(Part("Conducted energy weapon.", of=EnergyWeapon))
    irritant: V[Irritant] = member(Part("Irritant spray.", of=Irritant))
    face_covers: V[tuple[FaceCover, ...]] = member(Items("Face covers, whoever put them on.", of=FaceCover))
    search: V[Search] = member(Part("Search for weapons.", of=Search))
