"""Transport, handover, harm, and the chart itself."""

from __future__ import annotations

from .common import ENTERED, ID, V
from .declaration import Code, Codes, Flag, Ident, Idents, Items, Node, Part, Text, Time, member
from .moment import Moment
from .words import LEVELS, SIDES, SITES


class EndOfCare(Node):
    """How this unit's care ended without transport or transfer of care."""

    time: V[Moment] = member(Time("When."))
    how: V[str] = member(
        Code("How.", ("refused", "released_to_law_enforcement", "released_to_guardian", "died", "other"))
    )
    entered: V[Moment] = member(ENTERED)


class Transport(Node):
    """This unit's times, and the journey."""

    call: V[str] = member(
        Code("Kind of call.", ("emergency", "transfer_between_facilities", "planned", "standby", "other"))
    )
    sent_from: V[str] = member(
        Code(
            "Kind of place the patient was taken from.",
            (
                "home",
                "public_place",
                "hospital",
                "psychiatric_facility",
                "care_home",
                "clinic",
                "school",
                "police_or_jail",
                "other",
            ),
        )
    )
    at_patient: V[Moment] = member(Time("This unit's first contact with the patient."))
    transported: V[bool] = member(Flag("The patient was transported by this unit."))
    departed: V[Moment] = member(Time("Left the scene."))
    arrived: V[Moment] = member(Time("Arrived at the destination."))
    attendants: V[tuple[str, ...]] = member(
        Codes("Levels of care in the patient compartment, one a person.", LEVELS, repeats=True)
    )
    attended_by: V[tuple[str, ...]] = member(Idents("Ids of the people of the team in the patient compartment."))
    facility_told: V[bool] = member(Flag("The receiving facility was told beforehand that the patient is restrained."))
    facility_told_time: V[Moment] = member(Time("When it was told."))
    ended: V[EndOfCare] = member(Part("The end of care without transfer.", of=EndOfCare))


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
    side: V[str] = member(Code("Side, for a limb.", SIDES))
    site: V[str] = member(Code("Site, for a limb.", SITES))
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
