"""Who restrained, on what, with what, and how the patient lay."""

from __future__ import annotations

from .common import ENTERED, ID, V
from .declaration import Code, Codes, Flag, Ident, Int, Items, Node, Part, Time, member
from .moment import Moment
from .words import LEVELS, LIMBS, POSTURES, SERVICES, SIDES, SITES


class Person(Node):
    """One person who took part. An opaque id and roles, never a name."""

    id: V[str] = member(ID)
    service: V[str] = member(Code("Whom the person works for.", SERVICES))
    level: V[str] = member(Code("Level of care.", LEVELS))
    roles: V[tuple[str, ...]] = member(
        Codes(
            "What the person did.",
            (
                "lead",
                "head",
                "right_arm",
                "left_arm",
                "right_leg",
                "left_leg",
                "straps",
                "sedation",
                "observer",
                "other",
            ),
        )
    )


class Takedown(Node):
    """Taking the patient to the ground or the stretcher by force."""

    done: V[bool] = member(Flag("There was one."))
    by: V[str] = member(Code("By whom.", ("law_enforcement", "ems_trained", "ems_not_trained", "other")))
    time: V[Moment] = member(Time("When."))
    entered: V[Moment] = member(ENTERED)


class Team(Node):
    """Who was there and in which role."""

    members: V[tuple[Person, ...]] = member(Items("Everyone who took part.", of=Person))
    highest_level: V[str] = member(Code("Highest level of care aboard.", LEVELS))
    plan_told: V[bool] = member(Flag("The plan and the roles were told before the start."))
    takedown: V[Takedown] = member(Part("Taking the patient down.", of=Takedown))
    protective_equipment: V[tuple[str, ...]] = member(
        Codes("What the crew wore.", ("gloves", "bite_resistant_gloves", "eye_protection", "mask", "gown"))
    )
    fewer_reason: V[str] = member(
        Code(
            "Why fewer people than planned.",
            ("immediate_danger", "no_more_available", "patient_small_or_weak", "patient_cooperated", "other"),
        )
    )


class Belt(Node):
    """One stretcher belt."""

    id: V[str] = member(ID)
    place: str = member(
        Code("Where it lies.", ("above_knees", "below_knees", "hips", "abdomen", "chest", "shoulders")), required=True
    )
    on: V[Moment] = member(Time("Fastened."))
    off: V[Moment] = member(Time("Opened."))
    chest_free: V[bool] = member(Flag("The chest is free to expand."))
    buckle_reach: V[str] = member(Code("Can the patient reach the buckle.", ("out_of_reach", "within_reach")))
    entered: V[Moment] = member(ENTERED)


class Stretcher(Node):
    """The stretcher at the start, and its belts."""

    ready_before: V[bool] = member(Flag("Stretcher and straps were ready beside the patient before the start."))
    height: V[str] = member(Code("Height at the start.", ("lowest", "middle", "raised")))
    brakes: V[str] = member(Code("Brakes at the start.", ("on", "off")))
    rails: V[str] = member(Code("Side rails at the start.", ("down", "up")))
    belts: V[tuple[Belt, ...]] = member(Items("Belts.", of=Belt))
    torso_harness: V[str] = member(Code("Over-shoulder harness.", ("used", "not_used")))


class LimbRestraint(Node):
    """One device on one limb or on the torso, one item for every time it was put on."""

    id: V[str] = member(ID)
    site: str = member(Code("Where on the limb, or the torso.", SITES), required=True)
    side: V[str] = member(
        Code("Which side; not asked of the torso.", SIDES), required=True, unless=("site", ("torso",))
    )
    device: V[str] = member(
        Code(
            "The device.",
            (
                "soft",
                "soft_cloth",
                "soft_hook_and_loop",
                "padded_leather",
                "gauze",
                "tape",
                "plastic_tie",
                "key_locked",
                "sheet",
                "mitt",
                "vest",
                "body_wrap",
                "other",
            ),
        )
    )
    applied_by: V[str] = member(Code("Who put it on.", SERVICES))
    taken_over: V[bool] = member(Flag("Another crew or facility put it on, and this unit took it over."))
    on: V[Moment] = member(Time("Secured."))
    off: V[Moment] = member(Time("Taken off."))
    off_reason: V[str] = member(
        Code("Why it came off.", ("handover", "for_care", "step_down", "complication", "device_failed", "other"))
    )
    anchor: V[str] = member(
        Code("What it is tied to.", ("stretcher_frame", "moving_part", "side_rail", "other_limb", "none", "other"))
    )
    fastening: V[str] = member(
        Code(
            "How it is fastened.", ("buckle", "hook_and_loop", "quick_release_tie", "knot", "several_knots", "key_lock")
        )
    )
    limb_position: V[str] = member(
        Code(
            "Where the limb lies.",
            ("raised_beside_head", "along_side", "straight", "crossed", "bent", "behind_back", "other"),
        )
    )
    joint_range: V[str] = member(Code("Joint while anchored.", ("normal", "past_normal")))
    movement: V[str] = member(
        Code("Movement left.", ("fingers_or_toes_only", "some", "can_strike_or_kick", "can_reach_buckle", "free"))
    )
    fit: V[str] = member(Code("Fit of the cuff.", ("one_finger", "too_tight", "too_loose")))
    padded: V[bool] = member(Flag("Padded between cuff and skin."))
    checked_by: V[str] = member(Ident("Id of the person who checked it for the one who tied it."))
    skin_at_removal: V[str] = member(Code("Skin when it came off.", ("intact", "marked", "broken")))
    entered: V[Moment] = member(ENTERED)


class Hold(Node):
    """Holding a part of the body by hand."""

    id: V[str] = member(ID)
    part: str = member(Code("What was held.", ("head", *LIMBS, "torso", "whole_body")), required=True)
    start: V[Moment] = member(Time("From."))
    end: V[Moment] = member(Time("To."))
    by: V[str] = member(Ident("Id of the person who held."))
    entered: V[Moment] = member(ENTERED)


class BodyWeight(Node):
    """A place where somebody's weight rested on the patient."""

    id: V[str] = member(ID)
    place: str = member(
        Code("Where.", ("pelvis", "thighs", "arms", "shoulders", "head", "neck", "chest", "abdomen", "back")),
        required=True,
    )
    start: V[Moment] = member(Time("From."))
    end: V[Moment] = member(Time("To."))
    by: V[str] = member(Code("Whose weight.", SERVICES))
    care: V[str] = member(
        Code(
            "Whether it was found so, done before, or in this unit's care.",
            ("found_at_contact", "before_contact", "this_unit"),
        )
    )
    entered: V[Moment] = member(ENTERED)


class CrossCheck(Node):
    """Each member checks another member's restraint, fastening and anchor."""

    done: V[bool] = member(Flag("It was done."))
    time: V[Moment] = member(Time("When."))
    entered: V[Moment] = member(ENTERED)


class Application(Node):
    """Putting the restraints on."""

    started: V[Moment] = member(Time("First hold or first strap."))
    completed: V[Moment] = member(Time("Last limb secured by this unit."))
    sequence: V[tuple[str, ...]] = member(Codes("Limbs in the order they were secured.", LIMBS))
    limbs: V[tuple[LimbRestraint, ...]] = member(Items("Devices on limbs.", of=LimbRestraint))
    holds: V[tuple[Hold, ...]] = member(Items("Holds by hand.", of=Hold))
    body_weight: V[tuple[BodyWeight, ...]] = member(Items("Where body weight went.", of=BodyWeight))
    cross_check: V[CrossCheck] = member(Part("Check of each other's work.", of=CrossCheck))
    head_released: V[Moment] = member(Time("The head holder let go."))


class Posture(Node):
    """A posture, until its end or the next one."""

    id: V[str] = member(ID)
    posture: str = member(Code("The posture.", POSTURES), required=True)
    start: V[Moment] = member(Time("From."))
    end: V[Moment] = member(Time("To, if not until the next posture."))
    head_elevation_deg: V[int] = member(Int("Head of the stretcher raised by.", 0, 90, "deg"))
    arms_behind_back: V[bool] = member(Flag("Hands or arms behind the back."))
    care: V[str] = member(
        Code(
            "Whether found so, done before, or in this unit's care.",
            ("found_at_contact", "before_contact", "this_unit"),
        )
    )
    reason: V[str] = member(
        Code(
            "Why this posture.",
            (
                "low_blood_pressure",
                "spinal_precautions",
                "airway_or_vomiting",
                "pregnancy",
                "injury",
                "comfort",
                "access_for_care",
                "cpr",
                "other",
            ),
        )
    )
    entered: V[Moment] = member(ENTERED)
