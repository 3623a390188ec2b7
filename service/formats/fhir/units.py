"""The units that quantities are given in, and the unit of each member."""

from __future__ import annotations

from .tree import El

#: UCUM -> factor and offset into the unit of the member. Conversions: NIST SP 811 appendix B (degF, kPa, lb);
#: glucose 180.156 g/mol.
UNITS: dict[str, dict[str, tuple[float, float]]] = {
    "rate": {"/min": (1, 0), "1/min": (1, 0), "{beats}/min": (1, 0), "{breaths}/min": (1, 0)},
    # A saturation is sent as a ratio too, which UCUM writes as 1.
    "percent": {"%": (1, 0), "1": (100, 0)},
    "pressure": {"mm[Hg]": (1, 0), "kPa": (7.50062, 0)},
    "temperature": {"Cel": (1, 0), "[degF]": (5 / 9, -160 / 9), "K": (1, -273.15)},
    "glucose": {"mg/dL": (1, 0), "mmol/L": (18.0156, 0), "g/L": (100, 0)},
    "score": {"{score}": (1, 0), "1": (1, 0), "": (1, 0)},
    "ms": {"ms": (1, 0), "s": (1000, 0)},
    "s": {"s": (1, 0)},
    "flow": {"L/min": (1, 0), "l/min": (1, 0)},
    "weeks": {"wk": (1, 0), "d": (1 / 7, 0)},
    "weight": {"kg": (1, 0), "g": (0.001, 0), "[lb_av]": (0.45359237, 0)},
}
#: Units as people write them, where no UCUM code is given.
UNIT_TEXTS = {
    "bpm": "/min",
    "beats/minute": "/min",
    "breaths/minute": "/min",
    "per minute": "/min",
    "mmhg": "mm[Hg]",
    "mm hg": "mm[Hg]",
    "c": "Cel",
    "°c": "Cel",
    "celsius": "Cel",
    "f": "[degF]",
    "°f": "[degF]",
    "fahrenheit": "[degF]",
    "lb": "[lb_av]",
    "lbs": "[lb_av]",
    "mcg": "ug",
    "µg": "ug",
    "ml": "mL",
    "percent": "%",
    "years": "a",
    "year": "a",
    "months": "mo",
    "days": "d",
    "mg/dl": "mg/dL",
}
UNIT_OF = {
    "hr": "rate",
    "rr": "rate",
    "spo2": "percent",
    "etco2_mmhg": "pressure",
    "sbp": "pressure",
    "dbp": "pressure",
    "temperature_c": "temperature",
    "glucose_mg_dl": "glucose",
    "gcs_eye": "score",
    "gcs_verbal": "score",
    "gcs_motor": "score",
    "gcs_total": "score",
    "rass": "score",
    "qtc_ms": "ms",
    "oxygen_l_min": "flow",
    "oxygen_percent": "percent",
    "weight_kg": "weight",
    "cap_refill_s": "s",
    "gestation_weeks": "weeks",
}


def unit_of(quantity: El) -> str:
    """UCUM code of a Quantity, from its code or from its unit as people write it; "" where none is given."""
    code, text = quantity.text_of("code"), quantity.text_of("unit")
    given = code or text
    return UNIT_TEXTS.get(given.strip().lower(), given)
