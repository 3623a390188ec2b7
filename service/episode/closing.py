"""Transport, handover, harm, and the chart itself."""

from __future__ import annotations

from .common import ENTERED, ID, V
from .declaration import Code, Codes, Flag, Ident, Items, Node, Part, Text, Time, member
from .moment import Moment
from .words import LEVELS


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
    entered: V[Moment] = member(ENTERED)


class Injury(Node):
    """One injury."""

    id: V[str] = member(ID)
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

    id: V[str] = member(ID)
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
    entered: V[Moment] = member(ENTERED)


class Death(Node):
    """Death during or after the episode."""

    died: V[bool] = member(Flag("The patient died before or at transfer of care."))
    time: V[Moment] = member(Time("When."))
    hospital_told: V[bool] = member(Flag("The hospital was told when restraint ended."))
    entered: V[Moment] = member(ENTERED)


class Injuries(Node):
    """Harm to anybody."""

    patient: V[tuple[Injury, ...]] = member(Items("To the patient.", of=Injury))
    crew: V[tuple[Injury, ...]] = member(Items("To the crew, bites and exposures too.", of=Injury))
    others: V[tuple[Injury, ...]] = member(Items("To others.", of=Injury))
    complications: V[tuple[Complication, ...]] = member(Items("Complications.", of=Complication))
    death: V[Death] = member(Part("Death.", of=Death))


class Amendment(Node):
    """A later change to the chart."""

    id: V[str] = member(ID)
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
