"""What was given to calm the patient, and what was not."""

from __future__ import annotations

from .common import ENTERED, ID, V
from .declaration import Code, Codes, Flag, Ident, Items, Node, Num, Time, member
from .moment import Moment
from .words import DOSE_UNITS, DRUGS, ROUTES


class Dose(Node):
    """One dose of a drug for behavior, or of a drug that deepens sedation."""

    id: V[str] = member(ID)
    drug: str = member(Code("RxNorm ingredient.", DRUGS), required=True)
    time: V[Moment] = member(Time("Given."))
    dose: V[float] = member(Num("Amount in ``unit``.", 0.0001, 100000))
    unit: V[str] = member(Code("UCUM unit of the dose.", DOSE_UNITS))
    concentration_mg_ml: V[float] = member(Num("Concentration, for a dose charted in mL.", 0.0001, 10000, "mg/mL"))
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
    entered: V[Moment] = member(ENTERED)


class NotGiven(Node):
    """A drug that was considered and not given."""

    id: V[str] = member(ID)
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
    entered: V[Moment] = member(ENTERED)


class Sedation(Node):
    """Drugs given, and drugs considered and not given."""

    doses: V[tuple[Dose, ...]] = member(Items("Doses given.", of=Dose))
    not_given: V[tuple[NotGiven, ...]] = member(Items("Considered and not given.", of=NotGiven))
    airway_ready: V[bool] = member(Flag("Ventilation bag and suction were at hand before the dose."))
