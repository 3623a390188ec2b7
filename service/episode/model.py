"""Every section of an episode, in story order.

Required is only what says which thing an item is; everything else may be left
out and is then ``MISSING``. Units are fixed by the name of a member. Bounds
are physical ones (NEMSIS v3.5.1 element bounds, ranges of the published
scales): outside them a record cannot be read, inside them nothing is refused.
"""

from __future__ import annotations

from typing import TypeAlias, TypeVar

from .kinds import Absent, Code, Codes, Flag, Ident, Int, Items, Moment, Node, Num, Part, Text, Time, member

T = TypeVar("T")
V: TypeAlias = T | Absent

SIDES = ("left", "right")
SITES = ("wrist", "forearm", "ankle", "thigh")
LIMBS = ("right_arm", "left_arm", "right_leg", "left_leg")

#: Ingredients by their RxNorm names; codes are in ``service.episode.drugs``.
DRUGS = (
    "midazolam",
    "lorazepam",
    "diazepam",
    "ketamine",
    "droperidol",
    "haloperidol",
    "olanzapine",
    "ziprasidone",
    "risperidone",
    "diphenhydramine",
    "dexmedetomidine",
    "chlorpromazine",
    "promethazine",
    "hydroxyzine",
    "fentanyl",
    "morphine",
    "hydromorphone",
    "other",
)
ROUTES = ("im", "iv", "io", "in", "po", "odt", "sl", "pr", "other")
DOSE_UNITS = ("g", "mg", "ug", "mL", "mg/kg", "ug/kg")
SERVICES = ("ems", "fire", "law_enforcement", "hospital", "family", "bystander", "other")
LEVELS = ("emr", "emt", "aemt", "paramedic", "nurse", "physician", "none", "other")
POSTURES = (
    "supine",
    "semi_fowler",
    "fowler",
    "seated",
    "left_lateral",
    "right_lateral",
    "prone",
    "hobbled",
    "sandwiched",
    "kneeling",
    "standing",
    "other",
)
EVENTS = (
    "suddenly_quiet",
    "stopped_struggling",
    "struggling",
    "breathing_complaint",
    "vomiting",
    "bleeding",
    "seizure",
    "apnoea",
    "laryngospasm",
    "arrest",
    "equipment_failure",
    "limb_complaint",
    "left_unattended",
    "anchor_changed",
    "stretcher_changed",
)
ACTIONS = (
    "oxygen_given",
    "airway_opened",
    "suction",
    "turned_to_side",
    "head_raised",
    "ventilated",
    "airway_device",
    "stimulated",
    "reversal_given",
    "fluid",
    "posture_changed",
    "vasopressor",
    "dextrose",
    "glucagon",
    "oral_sugar",
    "cooling",
    "warming",
    "loosened",
    "moved",
    "removed",
    "face_cover_removed",
    "restraints_removed",
    "cpr",
    "defibrillation",
    "drug_for_adverse_effect",
    "other",
)

_id = Ident("Opaque id, unique in its list; findings on an item without one cannot be accepted.")
_entered = Time("When this entry was written, if not at its own time.")


class Age(Node):
    """Age with its unit; over 89 years counts as 90."""

    value: int = member(Int("Age in whole units; over 89 years is read as 90.", 0, 130), required=True)
    unit: str = member(Code("UCUM unit: a (years), mo, wk, d.", ("a", "mo", "wk", "d")), required=True)


class Substance(Node):
    """Something the patient is thought to have taken before this unit's care."""

    id: V[str] = member(_id)
    substance: str = member(
        Code(
            "What is on board.",
            (
                "alcohol",
                "opioid",
                "benzodiazepine",
                "other_sedative",
                "stimulant",
                "cannabis",
                "hallucinogen",
                "unknown",
            ),
        ),
        required=True,
    )
    basis: V[str] = member(Code("How that is known.", ("stated", "found_on_scene", "tested", "suspected")))


class Patient(Node):
    """Who the patient is, without identifiers."""

    age: V[Age] = member(Part("Age with its unit.", of=Age))
    sex: V[str] = member(Code("Administrative sex.", ("female", "male", "other", "unknown")))
    weight_kg: V[float] = member(Num("Body weight.", 0.2, 650, "kg"))
    weight_basis: V[str] = member(
        Code(
            "How the weight was obtained.",
            ("measured", "stated", "length_based", "estimated_by_two", "estimated_by_one", "estimated"),
        )
    )
    pregnant: V[bool] = member(Flag("Known pregnancy."))
    gestation_weeks: V[int] = member(Int("Completed weeks of pregnancy.", 0, 45, "wk"))
    conditions: V[tuple[str, ...]] = member(
        Codes(
            "Known conditions.",
            (
                "asthma",
                "copd",
                "hypercapnic_failure",
                "sleep_apnoea",
                "coronary_disease",
                "recent_mi",
                "heart_failure",
                "long_qt",
                "seizure_disorder",
                "stroke",
                "diabetes",
                "dementia",
                "autism",
                "psychiatric_illness",
                "obesity",
                "spinal_injury",
                "shoulder_injury",
                "fistula",
                "other",
            ),
        )
    )
    oxygen_target: V[str] = member(Code("Prescribed oxygen saturation target, percent.", ("94-98", "88-92")))
    allergies: V[tuple[str, ...]] = member(Codes("Drug allergies among the drugs an episode can name.", DRUGS))
    substances: V[tuple[Substance, ...]] = member(Items("Substances on board.", of=Substance))
    communication_need: V[str] = member(
        Code("Language, hearing or speech need.", ("none", "language", "hearing", "speech", "cognitive"))
    )
    communication_need_met: V[bool] = member(Flag("The need was met while the hands were tied."))
    guardian_told: V[bool] = member(Flag("A minor's parent or guardian was told."))


class Behaviour(Node):
    """What the patient did or said that led to restraint."""

    id: V[str] = member(_id)
    behaviour: str = member(
        Code(
            "The act observed.",
            (
                "struck_out",
                "kicked",
                "bit",
                "spat",
                "threw_objects",
                "threatened",
                "grabbed",
                "weapon",
                "self_injury",
                "suicide_attempt",
                "ran_into_danger",
                "pulled_at_lines",
                "fought_treatment",
                "other",
            ),
        ),
        required=True,
    )
    time: V[Moment] = member(Time("When it was seen."))
    words: V[str] = member(Text("What was seen or said, in the crew's own words.", 500))
    entered: V[Moment] = member(_entered)


class Alternative(Node):
    """A less restrictive measure, and what came of it."""

    id: V[str] = member(_id)
    measure: str = member(
        Code(
            "The measure.",
            (
                "verbal_deescalation",
                "family_or_friend",
                "quiet_and_space",
                "need_met",
                "offered_medicine",
                "escort_by_hand",
                "more_people_shown",
                "other",
            ),
        ),
        required=True,
    )
    time: V[Moment] = member(Time("When it was tried."))
    result: V[str] = member(Code("What came of it.", ("worked", "partly", "failed", "unsafe_to_attempt")))
    entered: V[Moment] = member(_entered)


class Cause(Node):
    """A correctable cause of agitation that was looked for."""

    id: V[str] = member(_id)
    cause: str = member(
        Code(
            "The cause.",
            (
                "hypoxia",
                "hypoglycaemia",
                "hyperthermia",
                "head_injury",
                "stroke",
                "seizure",
                "substances",
                "infection",
                "pain",
                "psychiatric",
                "other",
            ),
        ),
        required=True,
    )
    result: V[str] = member(Code("What was found.", ("found", "not_found", "treated", "cannot_tell")))
    evidence: V[str] = member(Code("What that rests on.", ("measured", "examined", "history", "none")))


class MedicalDirection(Node):
    """Contact with medical direction."""

    contacted: V[bool] = member(Flag("Medical direction was contacted, or contact was tried."))
    time: V[Moment] = member(Time("When."))
    outcome: V[str] = member(Code("The answer.", ("ordered", "agreed", "advised_against", "unreachable")))
    entered: V[Moment] = member(_entered)


class Decision(Node):
    """Why this patient was restrained."""

    time: V[Moment] = member(Time("When restraint was decided."))
    behaviours: V[tuple[Behaviour, ...]] = member(Items("Behaviors observed.", of=Behaviour))
    danger_to: V[tuple[str, ...]] = member(Codes("Who was in danger.", ("self", "crew", "others")))
    reasons: V[tuple[str, ...]] = member(
        Codes(
            "What the restraint was for.",
            (
                "prevent_self_harm",
                "protect_others",
                "allow_emergency_care",
                "legal_order",
                "transfer_order",
                "convenience",
                "punishment",
                "police_request",
                "other",
            ),
        )
    )
    capacity: V[str] = member(Code("Capacity to decide, as judged then.", ("present", "absent", "unclear")))
    capacity_basis: V[tuple[str, ...]] = member(
        Codes(
            "What that judgment rests on.",
            (
                "cannot_understand",
                "cannot_retain",
                "cannot_weigh",
                "cannot_communicate",
                "intoxicated",
                "altered_mental_status",
                "able_in_all",
                "other",
            ),
        )
    )
    consent: V[str] = member(Code("The patient's answer to care.", ("given", "refused", "withdrawn", "unable")))
    explained: V[bool] = member(Flag("What was done and why was explained to the patient."))
    alternatives: V[tuple[Alternative, ...]] = member(Items("Less restrictive measures.", of=Alternative))
    causes: V[tuple[Cause, ...]] = member(Items("Correctable causes considered.", of=Cause))
    authority: V[str] = member(
        Code(
            "Legal ground for restraint.",
            (
                "emergency_exception",
                "mental_health_hold",
                "court_order",
                "custody",
                "guardian_consent",
                "none",
            ),
        )
    )
    authority_confirmed_by: V[str] = member(
        Code(
            "Who confirmed it.",
            (
                "medical_direction",
                "law_enforcement",
                "mental_health_professional",
                "court",
                "guardian",
                "crew_lead",
            ),
        )
    )
    medical_direction: V[MedicalDirection] = member(Part("Contact with medical direction.", of=MedicalDirection))


class Person(Node):
    """One person who took part. An opaque id and roles, never a name."""

    id: V[str] = member(_id)
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
    entered: V[Moment] = member(_entered)


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

    id: V[str] = member(_id)
    place: str = member(
        Code(
            "Where it lies.",
            ("above_knees", "below_knees", "hips", "abdomen", "chest", "shoulders"),
        ),
        required=True,
    )
    on: V[Moment] = member(Time("Fastened."))
    off: V[Moment] = member(Time("Opened."))
    chest_free: V[bool] = member(Flag("The chest is free to expand."))
    buckle_reach: V[str] = member(Code("Can the patient reach the buckle.", ("out_of_reach", "within_reach")))
    entered: V[Moment] = member(_entered)


class Stretcher(Node):
    """The stretcher at the start, and its belts."""

    ready_before: V[bool] = member(Flag("Stretcher and straps were ready beside the patient before the start."))
    height: V[str] = member(Code("Height at the start.", ("lowest", "middle", "raised")))
    brakes: V[str] = member(Code("Brakes at the start.", ("on", "off")))
    rails: V[str] = member(Code("Side rails at the start.", ("down", "up")))
    belts: V[tuple[Belt, ...]] = member(Items("Belts.", of=Belt))
    torso_harness: V[str] = member(Code("Over-shoulder harness.", ("used", "not_used")))


class LimbRestraint(Node):
    """One device on one limb, one item for every time it was put on."""

    id: V[str] = member(_id)
    site: str = member(Code("Where on the limb.", SITES), required=True)
    side: str = member(Code("Which side.", SIDES), required=True)
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
                "other",
            ),
        )
    )
    applied_by: V[str] = member(Code("Who put it on.", SERVICES))
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
            "How it is fastened.",
            ("buckle", "hook_and_loop", "quick_release_tie", "knot", "several_knots", "key_lock"),
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
        Code(
            "Movement left.",
            ("fingers_or_toes_only", "some", "can_strike_or_kick", "can_reach_buckle", "free"),
        )
    )
    fit: V[str] = member(Code("Fit of the cuff.", ("one_finger", "too_tight", "too_loose")))
    padded: V[bool] = member(Flag("Padded between cuff and skin."))
    checked_by: V[str] = member(Ident("Id of the person who checked it for the one who tied it."))
    skin_at_removal: V[str] = member(Code("Skin when it came off.", ("intact", "marked", "broken")))
    entered: V[Moment] = member(_entered)


class Hold(Node):
    """Holding a part of the body by hand."""

    id: V[str] = member(_id)
    part: str = member(Code("What was held.", ("head", *LIMBS, "torso", "whole_body")), required=True)
    start: V[Moment] = member(Time("From."))
    end: V[Moment] = member(Time("To."))
    by: V[str] = member(Ident("Id of the person who held."))
    entered: V[Moment] = member(_entered)


class BodyWeight(Node):
    """A place where somebody's weight rested on the patient."""

    id: V[str] = member(_id)
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
    entered: V[Moment] = member(_entered)


class CrossCheck(Node):
    """Each member checks another member's restraint, fastening and anchor."""

    done: V[bool] = member(Flag("It was done."))
    time: V[Moment] = member(Time("When."))
    entered: V[Moment] = member(_entered)


class Application(Node):
    """Putting the restraints on."""

    started: V[Moment] = member(Time("First hold or first strap."))
    completed: V[Moment] = member(Time("Last limb secured."))
    sequence: V[tuple[str, ...]] = member(Codes("Limbs in the order they were secured.", LIMBS))
    limbs: V[tuple[LimbRestraint, ...]] = member(Items("Devices on limbs.", of=LimbRestraint))
    holds: V[tuple[Hold, ...]] = member(Items("Holds by hand.", of=Hold))
    body_weight: V[tuple[BodyWeight, ...]] = member(Items("Where body weight went.", of=BodyWeight))
    cross_check: V[CrossCheck] = member(Part("Check of each other's work.", of=CrossCheck))
    head_released: V[Moment] = member(Time("The head holder let go."))


class Posture(Node):
    """A posture, until its end or the next one."""

    id: V[str] = member(_id)
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
    entered: V[Moment] = member(_entered)


class Dose(Node):
    """One dose of a drug for behavior, or of a drug that deepens sedation."""

    id: V[str] = member(_id)
    drug: str = member(Code("RxNorm ingredient.", DRUGS), required=True)
    time: V[Moment] = member(Time("Given."))
    dose: V[float] = member(Num("Amount in ``unit``.", 0.0001, 100000))
    unit: V[str] = member(Code("UCUM unit of the dose.", DOSE_UNITS))
    route: V[str] = member(Code("Route.", ROUTES))
    given_by: V[str] = member(Ident("Id of the person who gave it."))
    ordered_by: V[str] = member(
        Code("Who ordered it.", ("protocol", "medical_direction", "receiving_physician", "law_enforcement", "other"))
    )
    requested_by: V[str] = member(
        Code("At whose request.", ("crew", "patient", "medical_direction", "law_enforcement", "other"))
    )
    reason: V[str] = member(
        Code(
            "What for.", ("danger", "allow_care", "seizure", "pain", "procedure", "withdrawal", "convenience", "other")
        )
    )
    mixed_with: V[tuple[str, ...]] = member(Codes("Drugs in the same syringe.", DRUGS))
    effect: V[str] = member(Code("Effect.", ("none", "partial", "as_intended", "deeper_than_intended")))
    adverse_effects: V[tuple[str, ...]] = member(
        Codes(
            "Adverse effects; an empty list says none.",
            (
                "apnoea",
                "laryngospasm",
                "hypoxia",
                "hypertension",
                "hypotension",
                "seizure",
                "cardiac_arrest",
                "vomiting",
                "hypersalivation",
                "emergence",
                "dystonia",
                "dysrhythmia",
                "other",
            ),
        )
    )
    entered: V[Moment] = member(_entered)


class NotGiven(Node):
    """A drug that was considered and not given."""

    id: V[str] = member(_id)
    drug: V[str] = member(Code("RxNorm ingredient, if one was named.", DRUGS))
    time: V[Moment] = member(Time("When."))
    reason: V[str] = member(
        Code(
            "Why not.",
            (
                "not_needed",
                "contraindicated",
                "denied_by_order",
                "patient_refused",
                "not_available",
                "out_of_scope",
                "other",
            ),
        )
    )
    entered: V[Moment] = member(_entered)


class Sedation(Node):
    """Drugs given, and drugs considered and not given."""

    doses: V[tuple[Dose, ...]] = member(Items("Doses given.", of=Dose))
    not_given: V[tuple[NotGiven, ...]] = member(Items("Considered and not given.", of=NotGiven))
    airway_ready: V[bool] = member(Flag("Ventilation bag and suction were at hand before the dose."))


class VitalSet(Node):
    """One set of vital signs."""

    id: V[str] = member(_id)
    time: V[Moment] = member(Time("Taken."))
    before_care: V[bool] = member(Flag("Taken before this unit's care."))
    hr: V[int] = member(Int("Heart rate.", 0, 500, "/min"))
    rr: V[int] = member(Int("Breathing rate.", 0, 300, "/min"))
    spo2: V[int] = member(Int("Oxygen saturation by pulse oximetry.", 0, 100, "%"))
    etco2_mmhg: V[float] = member(Num("End-tidal carbon dioxide.", 0, 760, "mm[Hg]"))
    etco2_waveform: V[str] = member(Code("Capnography waveform.", ("present", "abnormal", "lost")))
    sbp: V[int] = member(Int("Systolic blood pressure.", 0, 500, "mm[Hg]"))
    dbp: V[int] = member(Int("Diastolic blood pressure.", 0, 500, "mm[Hg]"))
    bp_method: V[str] = member(Code("How pressure was taken.", ("automatic", "auscultated", "palpated")))
    temperature_c: V[float] = member(Num("Body temperature.", 0, 50, "Cel"))
    glucose_mg_dl: V[float] = member(Num("Blood glucose.", 0, 2000, "mg/dL"))
    glucose_reading: V[str] = member(Code("Meter reading outside its range.", ("low", "high")))
    gcs_eye: V[int] = member(Int("Glasgow Coma Scale, eye.", 1, 4))
    gcs_verbal: V[int] = member(Int("Glasgow Coma Scale, verbal.", 1, 5))
    gcs_motor: V[int] = member(Int("Glasgow Coma Scale, motor.", 1, 6))
    gcs_total: V[int] = member(Int("Glasgow Coma Scale, total as charted.", 3, 15))
    acvpu: V[str] = member(
        Code("Responsiveness; confused means new confusion.", ("alert", "confused", "voice", "pain", "unresponsive"))
    )
    agitation_scale: V[str] = member(Code("Scale of the agitation score.", ("rass", "sat", "amss", "bars")))
    agitation_score: V[int] = member(Int("Score on that scale: RASS -5..4, SAT -3..3, AMSS -4..4, BARS 1..7.", -5, 7))
    rhythm: V[str] = member(
        Code(
            "Rhythm on the monitor.",
            ("sinus", "sinus_tachycardia", "bradycardia", "svt", "af", "vt", "vf", "pea", "asystole", "other"),
        )
    )
    qtc_ms: V[int] = member(Int("Corrected QT interval.", 200, 800, "ms"))
    oxygen: V[str] = member(Code("Air or oxygen.", ("air", "oxygen")))
    oxygen_l_min: V[float] = member(Num("Oxygen flow.", 0, 100, "L/min"))
    entered: V[Moment] = member(_entered)


class LimbCheck(Node):
    """One check of one limb beyond its restraint, or why it could not be done."""

    id: V[str] = member(_id)
    site: str = member(Code("At which site.", SITES), required=True)
    side: str = member(Code("Which side.", SIDES), required=True)
    time: V[Moment] = member(Time("Done."))
    pulse: V[str] = member(Code("Pulse beyond the restraint.", ("present", "weak", "absent")))
    cap_refill_s: V[float] = member(Num("Capillary refill.", 0, 30, "s"))
    cap_refill_other_side: V[str] = member(Code("Against the other side.", ("same", "longer")))
    motor: V[str] = member(Code("Movement.", ("normal", "reduced", "absent")))
    sensation: V[str] = member(Code("Feeling.", ("normal", "reduced", "absent")))
    skin: V[str] = member(Code("Skin.", ("normal", "pale", "blue", "cold", "swollen", "broken")))
    not_done: V[str] = member(
        Code("Why the check could not be done.", ("unsafe_to_attempt", "patient_refused", "no_access", "other"))
    )
    by: V[str] = member(Ident("Id of the person who checked."))
    entered: V[Moment] = member(_entered)


class BreathingCheck(Node):
    """A look at airway and breathing."""

    id: V[str] = member(_id)
    time: V[Moment] = member(Time("Done."))
    airway: V[str] = member(Code("Airway.", ("clear", "partly_blocked", "blocked")))
    breathing: V[str] = member(Code("Breathing.", ("normal", "fast", "shallow", "laboured", "agonal", "absent")))
    entered: V[Moment] = member(_entered)


class MonitorSpan(Node):
    """A stretch of time on a monitor."""

    id: V[str] = member(_id)
    start: V[Moment] = member(Time("From."))
    end: V[Moment] = member(Time("To."))
    entered: V[Moment] = member(_entered)


class ObservationSpan(Node):
    """A stretch of direct observation."""

    id: V[str] = member(_id)
    start: V[Moment] = member(Time("From."))
    end: V[Moment] = member(Time("To."))
    by: V[str] = member(Ident("Id of the person who watched."))
    seat: V[str] = member(
        Code("Where the attendant sat.", ("at_head", "beside_in_view", "behind_out_of_view", "front_cab"))
    )
    limbs_in_view: V[bool] = member(Flag("All limbs and restraints in direct view."))
    entered: V[Moment] = member(_entered)


class Action(Node):
    """Something done for the patient."""

    id: V[str] = member(_id)
    action: str = member(Code("What was done.", ACTIONS), required=True)
    time: V[Moment] = member(Time("When."))
    side: V[str] = member(Code("Side, for a limb.", SIDES))
    site: V[str] = member(Code("Site, for a limb.", SITES))
    entered: V[Moment] = member(_entered)


class Event(Node):
    """Something that happened to the patient."""

    id: V[str] = member(_id)
    event: str = member(Code("What happened.", EVENTS), required=True)
    time: V[Moment] = member(Time("When."))
    end: V[Moment] = member(Time("When it ended."))
    side: V[str] = member(Code("Side, for a limb.", SIDES))
    site: V[str] = member(Code("Site, for a limb.", SITES))
    before_care: V[bool] = member(Flag("Before this unit's care."))
    entered: V[Moment] = member(_entered)


class Monitoring(Node):
    """What was watched, found and done while the patient was restrained or sedated."""

    vitals: V[tuple[VitalSet, ...]] = member(Items("Vital sign sets.", of=VitalSet))
    limb_checks: V[tuple[LimbCheck, ...]] = member(Items("Limb checks.", of=LimbCheck))
    breathing_checks: V[tuple[BreathingCheck, ...]] = member(Items("Airway and breathing checks.", of=BreathingCheck))
    capnography: V[tuple[MonitorSpan, ...]] = member(Items("Continuous waveform capnography.", of=MonitorSpan))
    oximetry: V[tuple[MonitorSpan, ...]] = member(Items("Continuous pulse oximetry.", of=MonitorSpan))
    ecg: V[tuple[MonitorSpan, ...]] = member(Items("Continuous ECG.", of=MonitorSpan))
    observation: V[tuple[ObservationSpan, ...]] = member(Items("Direct observation.", of=ObservationSpan))
    actions: V[tuple[Action, ...]] = member(Items("Actions taken.", of=Action))
    events: V[tuple[Event, ...]] = member(Items("Events.", of=Event))


class Reassessment(Node):
    """A look at whether restraint is still needed."""

    id: V[str] = member(_id)
    time: V[Moment] = member(Time("When."))
    decision: V[str] = member(Code("What was decided.", ("continue", "step_down", "release")))
    reason: V[str] = member(
        Code("Why.", ("danger_goes_on", "calm", "sedated", "for_care", "legal_order", "transport_safety", "other"))
    )
    entered: V[Moment] = member(_entered)


class PoliceDevice(Node):
    """A restraint device of law enforcement."""

    id: V[str] = member(_id)
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
    entered: V[Moment] = member(_entered)


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
    entered: V[Moment] = member(_entered)


class FaceCover(Node):
    """Something over the patient's face."""

    id: V[str] = member(_id)
    cover: str = member(
        Code("What it is.", ("surgical_mask", "spit_sock", "non_rebreather", "n95", "cloth", "other")), required=True
    )
    on: V[Moment] = member(Time("Put on."))
    off: V[Moment] = member(Time("Taken off."))
    oxygen_l_min: V[float] = member(Num("Oxygen flow through it.", 0, 100, "L/min"))
    entered: V[Moment] = member(_entered)


class Search(Node):
    """Search for weapons before loading."""

    done: V[bool] = member(Flag("It was done."))
    by: V[str] = member(Code("By whom.", SERVICES))


class Custody(Node):
    """Law enforcement and its means."""

    law_enforcement_present: V[bool] = member(Flag("Officers were on scene."))
    arrived: V[Moment] = member(Time("Officers' involvement began."))
    left: V[Moment] = member(Time("Officers' involvement ended."))
    in_custody: V[bool] = member(Flag("The patient was under arrest or in custody."))
    devices: V[tuple[PoliceDevice, ...]] = member(Items("Devices of theirs.", of=PoliceDevice))
    officer: V[str] = member(
        Code("Officer during transport.", ("aboard", "immediately_available", "following", "none"))
    )
    key_at_hand: V[bool] = member(Flag("A key or cutter for the device was at hand during transport."))
    energy_weapon: V[EnergyWeapon] = member(Part("Conducted energy weapon.", of=EnergyWeapon))
    irritant: V[Irritant] = member(Part("Irritant spray.", of=Irritant))
    face_covers: V[tuple[FaceCover, ...]] = member(Items("Face covers, whoever put them on.", of=FaceCover))
    search: V[Search] = member(Part("Search for weapons.", of=Search))


class Transport(Node):
    """This unit's times, and the journey."""

    at_patient: V[Moment] = member(Time("This unit's first contact with the patient."))
    transported: V[bool] = member(Flag("The patient was transported by this unit."))
    departed: V[Moment] = member(Time("Left the scene."))
    arrived: V[Moment] = member(Time("Arrived at the destination."))
    attendants: V[tuple[str, ...]] = member(
        Codes("Levels of care in the patient compartment, one a person.", LEVELS, repeats=True)
    )
    facility_told: V[bool] = member(Flag("The receiving facility was told beforehand that the patient is restrained."))
    facility_told_time: V[Moment] = member(Time("When it was told."))


class Handover(Node):
    """Transfer of care."""

    time: V[Moment] = member(Time("Transfer of care."))
    receiver_role: V[str] = member(
        Code("Who took over.", ("physician", "nurse", "advanced_practice", "paramedic", "law_enforcement", "other"))
    )
    receiver_identified: V[bool] = member(Flag("Name and signature of the receiver stand in the chart (never here)."))
    restraint_state: V[str] = member(
        Code("Restraints at transfer.", ("on", "off", "changed_to_hospital_devices", "partly_removed"))
    )
    removed_time: V[Moment] = member(Time("When the restraints came off, if they did."))
    limb_status: V[str] = member(Code("State of the limbs told at transfer.", ("normal", "abnormal", "not_told")))
    told: V[tuple[str, ...]] = member(
        Codes(
            "What was told.",
            (
                "behaviour",
                "restraint",
                "limb_status",
                "sedation",
                "vital_signs",
                "events",
                "injuries",
                "police_devices",
                "energy_weapon",
                "irritant",
                "face_cover",
                "posture",
                "glucose",
                "pregnancy",
            ),
        )
    )
    accepted: V[bool] = member(Flag("The receiver accepted responsibility."))
    entered: V[Moment] = member(_entered)


class Injury(Node):
    """One injury."""

    id: V[str] = member(_id)
    person: V[str] = member(Ident("Id of the person, for crew."))
    kind: V[str] = member(
        Code(
            "Kind of injury.",
            ("bruise", "wound", "fracture", "dislocation", "head_injury", "strain", "bite", "exposure", "other"),
        )
    )
    when: V[str] = member(Code("When it happened.", ("before_contact", "during_restraint", "transport", "unknown")))


class Complication(Node):
    """One complication of restraint or sedation."""

    id: V[str] = member(_id)
    complication: str = member(
        Code(
            "What happened.",
            (
                "apnoea",
                "laryngospasm",
                "hypoxia",
                "hypertension",
                "hypotension",
                "seizure",
                "cardiac_arrest",
                "aspiration",
                "limb_injury",
                "skin_injury",
                "dystonia",
                "emergence",
                "other",
            ),
        ),
        required=True,
    )
    time: V[Moment] = member(Time("When."))
    entered: V[Moment] = member(_entered)


class Death(Node):
    """Death during or after the episode."""

    died: V[bool] = member(Flag("The patient died before or at transfer of care."))
    time: V[Moment] = member(Time("When."))
    hospital_told: V[bool] = member(Flag("The hospital was told when restraint ended."))
    entered: V[Moment] = member(_entered)


class Injuries(Node):
    """Harm to anybody."""

    patient: V[tuple[Injury, ...]] = member(Items("To the patient.", of=Injury))
    crew: V[tuple[Injury, ...]] = member(Items("To the crew, bites and exposures too.", of=Injury))
    others: V[tuple[Injury, ...]] = member(Items("To others.", of=Injury))
    complications: V[tuple[Complication, ...]] = member(Items("Complications.", of=Complication))
    death: V[Death] = member(Part("Death.", of=Death))


class Amendment(Node):
    """A later change to the chart."""

    id: V[str] = member(_id)
    time: V[Moment] = member(Time("When it was made."))
    path: V[str] = member(Text("JSON Pointer of the member that was changed.", 200))
    reason: V[str] = member(Code("Why.", ("late_entry", "correction", "addition", "other")))


class Chart(Node):
    """The chart itself."""

    opened: V[Moment] = member(Time("Opened."))
    closed: V[Moment] = member(Time("First closed."))
    author_level: V[str] = member(Code("Level of care of the author.", LEVELS))
    amendments: V[tuple[Amendment, ...]] = member(Items("Later changes.", of=Amendment))
    director_review_requested: V[bool] = member(Flag("Review by the medical director was asked for."))


class Episode(Node):
    """The whole record."""

    episode_ref: str = member(Ident("The caller's own reference; no patient identifier."), required=True)
    patient: V[Patient] = member(Part("The patient.", of=Patient))
    decision: V[Decision] = member(Part("The decision.", of=Decision))
    team: V[Team] = member(Part("The team.", of=Team))
    stretcher: V[Stretcher] = member(Part("The stretcher.", of=Stretcher))
    application: V[Application] = member(Part("The application.", of=Application))
    postures: V[tuple[Posture, ...]] = member(Items("Postures.", of=Posture, may_be_none=True))
    sedation: V[Sedation] = member(Part("Sedation.", of=Sedation, may_be_none=True))
    monitoring: V[Monitoring] = member(Part("Monitoring.", of=Monitoring))
    reassessments: V[tuple[Reassessment, ...]] = member(
        Items("Looks at continuing need.", of=Reassessment, may_be_none=True)
    )
    custody: V[Custody] = member(Part("Law enforcement.", of=Custody, may_be_none=True))
    transport: V[Transport] = member(Part("Transport.", of=Transport))
    handover: V[Handover] = member(Part("Transfer of care.", of=Handover))
    injuries: V[Injuries] = member(Part("Injuries, complications, death.", of=Injuries, may_be_none=True))
    narrative: V[str] = member(Text("Free text; scanned for declared phrases only.", 20000))
    chart: V[Chart] = member(Part("The chart.", of=Chart))


#: Section names in story order.
SECTIONS = (
    "patient",
    "decision",
    "team",
    "stretcher",
    "application",
    "postures",
    "sedation",
    "monitoring",
    "reassessments",
    "custody",
    "transport",
    "handover",
    "injuries",
    "narrative",
    "chart",
)
