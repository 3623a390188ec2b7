"""What was watched and done, what happened, and whether restraint was still needed."""

from __future__ import annotations

from .common import ENTERED, ID, V
from .declaration import Code, Flag, Ident, Int, Items, Node, Num, Time, member
from .moment import Moment
from .words import ACTIONS, EVENTS, SIDES, SITES


class VitalSet(Node):
    """One set of vital signs."""

    id: V[str] = member(ID)
    time: V[Moment] = member(Time("Taken."))
    before_care: V[bool] = member(Flag("Taken before this unit's care."))
    hr: V[int] = member(Int("Heart rate.", 0, 500, "/min"))
    rr: V[int] = member(Int("Breathing rate.", 0, 300, "/min"))
    spo2: V[float] = member(Num("Oxygen saturation by pulse oximetry.", 0, 100, "%"))
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
    entered: V[Moment] = member(ENTERED)


class LimbCheck(Node):
    """One check of one limb beyond its restraint, or of all restrained limbs, or why it could not be done."""

    id: V[str] = member(ID)
    site: str = member(
        Code("At which site; all: every limb restrained then.", (*(s for s in SITES if s != "torso"), "all")),
        required=True,
    )
    side: V[str] = member(Code("Which side; of all, only that side.", SIDES), required=True, unless=("site", ("all",)))
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
    entered: V[Moment] = member(ENTERED)


class BreathingCheck(Node):
    """A look at airway and breathing."""

    id: V[str] = member(ID)
    time: V[Moment] = member(Time("Done."))
    airway: V[str] = member(Code("Airway.", ("clear", "partly_blocked", "blocked")))
    breathing: V[str] = member(Code("Breathing.", ("normal", "fast", "shallow", "laboured", "agonal", "absent")))
    entered: V[Moment] = member(ENTERED)


class MonitorSpan(Node):
    """A stretch of time on a monitor."""

    id: V[str] = member(ID)
    start: V[Moment] = member(Time("From."))
    end: V[Moment] = member(Time("To."))
    entered: V[Moment] = member(ENTERED)


class ObservationSpan(Node):
    """A stretch of direct observation."""

    id: V[str] = member(ID)
    start: V[Moment] = member(Time("From."))
    end: V[Moment] = member(Time("To."))
    by: V[str] = member(Ident("Id of the person who watched."))
    seat: V[str] = member(
        Code("Where the attendant sat.", ("at_head", "beside_in_view", "behind_out_of_view", "front_cab"))
    )
    limbs_in_view: V[bool] = member(Flag("All limbs and restraints in direct view."))
    entered: V[Moment] = member(ENTERED)


class Action(Node):
    """Something done for the patient."""

    id: V[str] = member(ID)
    action: str = member(Code("What was done.", ACTIONS), required=True)
    time: V[Moment] = member(Time("When."))
    end: V[Moment] = member(Time("When it ended."))
    by: V[str] = member(Ident("Id of the person who did it."))
    side: V[str] = member(Code("Side, for a limb.", SIDES))
    site: V[str] = member(Code("Site, for a limb.", SITES))
    entered: V[Moment] = member(ENTERED)


class Event(Node):
    """Something that happened to the patient."""

    id: V[str] = member(ID)
    event: str = member(Code("What happened.", EVENTS), required=True)
    time: V[Moment] = member(Time("When."))
    end: V[Moment] = member(Time("When it ended."))
    side: V[str] = member(Code("Side, for a limb.", SIDES))
    site: V[str] = member(Code("Site, for a limb.", SITES))
    before_care: V[bool] = member(Flag("Before this unit's care."))
    entered: V[Moment] = member(ENTERED)


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

    id: V[str] = member(ID)
    time: V[Moment] = member(Time("When."))
    decision: V[str] = member(Code("What was decided.", ("continue", "step_down", "release")))
    reason: V[str] = member(
        Code("Why.", ("danger_goes_on", "calm", "sedated", "for_care", "legal_order", "transport_safety", "other"))
    )
    entered: V[Moment] = member(ENTERED)
