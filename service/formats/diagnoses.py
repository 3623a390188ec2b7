"""Symptoms, impressions and histories by ICD-10-CM code: what each means for a restraint, for the readers of every format.

``SYMPTOMS`` and ``IMPRESSIONS`` are the two lists of NEMSIS 3.5.1, code for code
(a test holds them against the lists). A code that is not in a list is read as
the longest code of it that it begins with, as ICD-10-CM is built. ``HISTORY`` is
read from memory. ICD-10-CM is in the public domain.
"""

from __future__ import annotations

from .meaning import MEMORY, Meaning, Meanings, aside, meanings

_PAIN = "pain; where it comes from stands elsewhere"
_BOWELS = "another matter: bowels, kidneys, skin"
_VALUE = "the value stands among the vital signs"
_MIND = "a state of mind; the level of consciousness stands among the vital signs"
_CONTACT = "says why the unit was there"
_WHERE = "says neither where it bleeds nor since when"

_BOTH: Meanings = (
    meanings("event", arrest="I46.9", seizure="R56.9 G40.89", bleeding="R04.0", breathing_complaint="R06.00 J80 R06.02")
    | meanings("condition", stroke="I63.9", recent_mi="I21 I21.3", coronary_disease="I20.9")
    | meanings("condition", psychiatric_illness="F99")
    | meanings("substance", alcohol="F10.92 F10.9")
    | meanings("behaviour", other="R45.851")
    | meanings("injury", head_injury="S09.90")
    | meanings("injury", other="S09.93 S49.9 S69.9 T07")
    | aside(_PAIN, "R10.0 R10.84 G89.11 M54.9 R07.9 R51 M79.6 M54.5 G89.2 R52 R10.2")
    | aside(_BOWELS, "K59.00 R11.0")
    | aside(_VALUE, "I49.9 I10 I95.9 R73.9 E16.2 R50.9")
    | aside(_MIND, "F41.9 R41.82 R40.4 R41.0 R55")
    | aside("feeling unwell, not said how", "R68.89 R69 R53.83 R53.81 R53.1 R42")
    | aside(_WHERE, "R58 N93.9")
    | aside(_CONTACT, "Z00.00 Z71.1 Z00 T76")
)

SYMPTOMS: Meanings = (
    _BOTH
    | meanings(
        "event",
        seizure="G40.3 R56.0",
        vomiting="R11.10 K92.0",
        apnoea="R06.81 R09.2",
        breathing_complaint="R06 T17 R06.89 R07.1 R06.3 R06.2",
    )
    | meanings("behaviour", other="R45.7 R45.0 R46.3 R45.1 R46.2 R45.6")
    | meanings("substance", opioid="T40.6", unknown="T50 T57.9")
    | meanings("condition", copd="J44.9", diabetes="E13.8", psychiatric_illness="F32.9", kidney_disease="N18 N19")
    | meanings("injury", other="S79 T14 S89.90")
    | aside(_PAIN, "R10.3 R10.81 R10.9 R10.1 R07.89 H57.10 G50.1 M25.55 M25.56 M54.2 R07.82 M25.51 R07.0")
    | aside(_BOWELS, "R14.0 R19.7 R30.0 R33.9 R60.9 R22 R23.8 R21")
    | aside(_VALUE, "I48.91 R00.2")
    | aside(_MIND, "R46.4 R45.82 R40.0 R40.20")
    | aside(
        "how the patient moves or feels, not said since when",
        "R47.81 R26.89 R25.8 R25.2 R26.2 R29.810 R29.8 R29.6 R20.0",
    )
    | aside("cough", "R05")
    | aside(_CONTACT, "R99 Z00.12")
)

IMPRESSIONS: Meanings = (
    _BOTH
    | meanings("event", seizure="G40.909 G40.901", vomiting="R11.1", breathing_complaint="J98.01 J81.0 J96.9 J98.9")
    | meanings("behaviour", suicide_attempt="T14.91", other="R45.85 R45.89")
    | meanings("substance", alcohol="F10.23", opioid="F11", other_sedative="F13", unknown="T50.90 F19")
    | meanings(
        "condition",
        asthma="J45",
        copd="J44.1",
        diabetes="E13.65 E13.64",
        heart_failure="I50.9",
        psychiatric_illness="F32 F60.8",
        recent_mi="I21.4",
        stroke="G45.9",
        kidney_disease="N17.8 N18.6",
        infection="N39.0 A41.9 B99.9 J11 J18.9",
        other="I99.9 D49",
    )
    | meanings("pregnant", yes="O80 O26.90")
    | meanings("death", died="R99")
    | meanings("injury", head_injury="S06.0X9 S06.0", wound="T30.0")
    | meanings("injury", other="S99.91 T79.9 S99.92 S59.91 S79.91 T14.90 S39.92 S89.9 S19.9 S39.93 S79.92 S29.9")
    | aside(_PAIN, "G89.1")
    | aside(_VALUE, "T67")
    | aside(_BOWELS, "K92.2 K59.1 J00 E86.0 T78.40")
    | aside("feeling unwell, not said how", "M62.81")
    | aside(_CONTACT, "Z74.01 Z74.09 Z00.129 Z51.89 Z04.9 Z03.89 Z04.6")
)

#: Beginnings of codes of a history: conditions known before this unit came. Anything else is ``other``.
HISTORY: Meanings = meanings(
    "condition",
    MEMORY,
    hypercapnic_failure="J96.12",
    long_qt="I45.81",
    stroke="Z86.73 I63",
    sleep_apnoea="G47.3",
    autism="F84.0",
    obesity="E66",
    asthma="J45",
    copd="J44",
    coronary_disease="I20 I25",
    recent_mi="I21 I22",
    heart_failure="I50",
    seizure_disorder="G40",
    diabetes="E10 E11 E13",
    dementia="F01 F02 F03 G30",
    psychiatric_illness="F2 F3 F4 F60 F99",
    intellectual_disability="F7",
    kidney_disease="N17 N18 N19",
    liver_disease="K70 K72 K74",
    anticoagulated="Z79.01",
)


def begins_with(code: str, table: Meanings) -> Meaning | None:
    """The meaning of the longest code of a table with which a code begins; None where there is none."""
    told = code.strip().upper()
    for length in range(len(told), 1, -1):
        found = table.get(told[:length])
        if found is not None:
            return found
    return None
