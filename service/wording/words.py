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
    "etco2_fall": "fall of EtCO2",
    "spo2_fall": "fall of oxygen saturation",
    "sbp_fall": "fall of blood pressure",
    "gcs_fall": "fall of GCS",
    "gcs_low": "low GCS",
    "glucose_low": "low glucose",
    "temperature_high": "high temperature",
    "temperature_low": "low temperature",
    "vitals_sedated": "vital signs after a sedative",
    "apnoea": "apnea",
    "breathing_absent": "breathing absent or agonal",
    "ecg": "ECG",
    "told_position": "a patient face down",
    "told_weight": "weight on the neck, chest, back or belly",
    "told_breathing": "trouble breathing",
    "told_quiet": "a patient who went quiet or stopped answering",
    "told_apnoea": "breathing or a pulse that stopped",
    "told_seizure": "a seizure",
    "told_vomiting": "vomiting",
    "told_device": "a hard or tied restraint or a face cover",
    "told_key": "an officer or a key not with the patient",
    "told_left_alone": "a patient left alone",
    "told_limb_abnormal": "a limb that was not normal",
    "told_injury_patient": "an injury of the patient",
    "told_injury_crew": "an injury of the crew",
    "told_release": "a restraint taken off or loosened",
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
