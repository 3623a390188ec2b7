"""Drugs: RxNorm ingredients, families, and doses in mg.

Codes: NEMSIS DefinedLists (Medication.csv, 2021-05-06) where ``read``; the
others are from memory and say so.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Drug:
    """One ingredient, with its RxNorm code; ``source`` of the code: ``read`` or ``from memory``.

    ``by_weight``: dosed by weight. ``qt``: prolongs the QT interval.
    """

    rxcui: str
    source: str
    family: str
    sedative: bool
    by_weight: bool = False
    qt: bool = False


DRUGS = {
    "midazolam": Drug("6960", "read", "benzodiazepine", True),
    "lorazepam": Drug("6470", "read", "benzodiazepine", True),
    "diazepam": Drug("3322", "read", "benzodiazepine", True),
    "ketamine": Drug("6130", "read", "dissociative", True, by_weight=True),
    "droperidol": Drug("3648", "from memory", "antipsychotic", True, qt=True),
    "haloperidol": Drug("5093", "read", "antipsychotic", True, qt=True),
    "olanzapine": Drug("61381", "from memory", "antipsychotic", True),
    "ziprasidone": Drug("115698", "from memory", "antipsychotic", True, qt=True),
    "risperidone": Drug("35636", "from memory", "antipsychotic", True),
    "chlorpromazine": Drug("2403", "from memory", "antipsychotic", True, qt=True),
    "dexmedetomidine": Drug("48937", "from memory", "alpha2", True, by_weight=True),
    "promethazine": Drug("8745", "read", "antihistamine", True),
    "hydroxyzine": Drug("5553", "from memory", "antihistamine", True),
    "diphenhydramine": Drug("3498", "read", "antihistamine", False),
    "fentanyl": Drug("4337", "read", "opioid", False),
    "morphine": Drug("7052", "read", "opioid", False),
    "hydromorphone": Drug("3423", "read", "opioid", False),
}

#: UCUM unit -> mg.
MG = {"g": 1000.0, "mg": 1.0, "ug": 0.001}
PER_KG = {"mg/kg": 1.0, "ug/kg": 0.001}
ROUTE_GROUP = {"im": "im", "iv": "iv", "io": "iv", "in": "in", "po": "oral", "odt": "oral", "sl": "oral"}
PARENTERAL = frozenset({"im", "iv", "in"})


def half_up(value: float) -> int:
    """Round half up; rounding to six places first removes errors of binary fractions (0.285 * 100 is 28.499...)."""
    return int(round(value, 6) + 0.5)


def dose_mg_100(dose: float, unit: str, weight_kg: float | None, mg_ml: float | None = None) -> int | None:
    """The dose in hundredths of a mg; None when the unit cannot be converted.

    ``mg_ml``: its concentration, without which mL cannot be; per kg cannot be without a weight.
    """
    if unit == "mL" and mg_ml is not None:
        return half_up(dose * mg_ml * 100)
    if unit in MG:
        return half_up(dose * MG[unit] * 100)
    if unit in PER_KG and weight_kg is not None:
        return half_up(dose * PER_KG[unit] * weight_kg * 100)
    return None


def per_kg_100(mg_100: int, weight_kg: float) -> int:
    """mg/kg in hundredths, half up."""
    return half_up(mg_100 / weight_kg)


#: Charted weights and doses are rounded, so limits in mg/kg of severity warning are judged after this is taken off.
TOLERANCE_PERCENT = 5


def tolerant(mg_per_kg_100: int) -> int:
    """mg/kg in hundredths after the rounding tolerance is taken off."""
    return half_up(mg_per_kg_100 * 100 / (100 + TOLERANCE_PERCENT))
