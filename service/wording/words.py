"""Coded words and numbers as they read in a sentence."""

from __future__ import annotations

from collections.abc import Iterable

#: Words that do not read well with spaces for underscores.
_WORDS = {
    "im": "IM",
    "iv": "IV",
    "n95": "N95 mask",
    "spo2_low": "low oxygen saturation",
    "rr_low": "slow breathing",
    "rr_high": "fast breathing",
    "sbp_low": "low blood pressure",
    "hr_high": "fast heart rate",
    "hr_low": "slow heart rate",
    "etco2_high": "high EtCO2",
    "etco2_low": "low EtCO2",
    "etco2_rise": "rise of EtCO2",
    "vitals_sedated": "vital signs after a sedative",
    "apnoea": "apnea",
    "breathing_absent": "breathing absent or agonal",
    "ecg": "ECG",
}


def word(value: str) -> str:
    """How a coded word reads in a sentence."""
    return _WORDS.get(value, value.replace("_", " "))


def number(value: float) -> str:
    """A number as short as it is exact to two decimals: 5, 0.5, 4.88."""
    return f"{value:.2f}".rstrip("0").rstrip(".")


def listed(words: Iterable[str]) -> str:
    """``left arm``, ``left arm and right arm``, ``left arm, right arm and left leg``."""
    *first, last = words
    return f"{', '.join(first)} and {last}" if first else last
