"""Why this patient was restrained."""

from __future__ import annotations

from .common import ENTERED, ID, V
from .declaration import Code, Codes, Flag, Items, Node, Part, Text, Time, member
from .moment import Moment


class Behaviour(Node):
    """What the patient did or said that led to restraint."""

    id: V[str] = member(ID)
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
                "wandering",
                "other",
            ),
        ),
        required=True,
    )
    time: V[Moment] = member(Time("When it was seen."))
    words: V[str] = member(Text("What was seen or said, in the crew's own words.", 500))
    entered: V[Moment] = member(ENTERED)


class Alternative(Node):
    """A less restrictive measure, and what came of it."""

    id: V[str] = member(ID)
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
    entered: V[Moment] = member(ENTERED)


class Cause(Node):
    """A correctable cause of agitation that was looked for."""

    id: V[str] = member(ID)
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
    entered: V[Moment] = member(ENTERED)


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
    guardian_answer: V[str] = member(
        Code("A guardian's answer to care.", ("given", "refused", "withdrawn", "not_reached"))
    )
    explained: V[bool] = member(Flag("What was done and why was explained to the patient."))
    alternatives: V[tuple[Alternative, ...]] = member(Items("Less restrictive measures.", of=Alternative))
    causes: V[tuple[Cause, ...]] = member(Items("Correctable causes considered.", of=Cause))
    authority: V[str] = member(
        Code(
            "Legal ground for restraint.",
            ("emergency_exception", "mental_health_hold", "court_order", "custody", "guardian_consent", "none"),
        )
    )
    authority_confirmed_by: V[str] = member(
        Code(
            "Who confirmed it.",
            ("medical_direction", "law_enforcement", "mental_health_professional", "court", "guardian", "crew_lead"),
        )
    )
    medical_direction: V[MedicalDirection] = member(Part("Contact with medical direction.", of=MedicalDirection))
