"""Who the patient is, without identifiers."""

from __future__ import annotations

from .common import ID, V
from .declaration import Code, Codes, Flag, Int, Items, Node, Num, Part, member
from .words import DRUGS

NEEDS = ("language", "hearing", "speech", "cognitive")


class Age(Node):
    """Age with its unit; over 89 years counts as 90."""

    value: int = member(Int("Age in whole units; over 89 years is read as 90.", 0, 130), required=True)
    unit: str = member(Code("UCUM unit: a (years), mo, wk, d.", ("a", "mo", "wk", "d")), required=True)


class Substance(Node):
    """Something the patient is thought to have taken before this unit's care."""

    id: V[str] = member(ID)
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
                "brain_injury",
                "intellectual_disability",
                "kidney_disease",
                "liver_disease",
                "infection",
                "anticoagulated",
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
        Code("Language, hearing or speech need; several: communication_needs.", ("none", *NEEDS))
    )
    communication_needs: V[tuple[str, ...]] = member(Codes("All such needs; an empty list says none.", NEEDS))
    interpreter: V[str] = member(
        Code("Who interpreted.", ("interpreter", "by_phone_or_video", "crew", "family_or_bystander", "nobody"))
    )
    communication_need_met: V[bool] = member(Flag("The need was met while the hands were tied."))
    guardian_told: V[bool] = member(Flag("A minor's parent or guardian was told."))
