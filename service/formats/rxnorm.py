"""Drugs by code: what each means for a restraint, for the readers of every format.

``LISTED`` is the medication list of NEMSIS 3.5.1, code for code (a test holds it
against the list), RxNorm but for the blood products, which are SNOMED CT
(``BLOOD``). ``BEYOND`` are RxNorm codes that stand elsewhere.
"""

from __future__ import annotations

from service.episode.drugs import DRUGS

from .meaning import MEMORY, Meaning, Meanings, aside, meanings

#: Blood products, by SNOMED CT code: volume into a vein, but for what only makes blood clot.
BLOOD: Meanings = meanings("action", fluid="116762002 116861002 116865006 33389009 71493000") | aside(
    "makes blood clot", "116795008 180208003"
)

LISTED: Meanings = (
    meanings(
        "drug",
        diazepam="3322",
        diphenhydramine="3498",
        fentanyl="4337",
        haloperidol="5093",
        hydromorphone="3423",
        ketamine="6130",
        lorazepam="6470",
        midazolam="6960",
        morphine="7052",
        promethazine="8745",
        # They put to sleep, ease pain or take away movement, and the record has no word of its own for them.
        other="1819 4177 8782 68139 10154 71535",
    )
    | meanings(
        "action",
        oxygen_given="7806",
        fluid="313002 1008377",
        vasopressor="3628 328316 317361 7512 8163 11149",
        dextrose="1795477 260258 237653 4850",
        glucagon="4832",
        reversal_given="7242",
        bronchodilator="435 214199 7213 237159 10368",
        magnesium="6585",
        # For a rhythm, the salts of the blood, or too much saliva.
        drug_for_adverse_effect="296 703 1223 1901 1908 3443 6387 6918 6185 36676",
    )
    | aside("for pain or fever", "161 35827")
    | aside("against swelling; it works after hours", "3264 6902")
    | aside("for the heart or high blood pressure", "1191 4603 4917 5224 7396")
    | aside("against infection", "2193 11124")
    | aside("against nausea", "26225")
    | aside("for the salts or the sugar of the blood", "8591 1605101 10454")
    | aside("for bleeding", "10691")
    | BLOOD
)

BEYOND: Meanings = (
    {drug.rxcui: Meaning("drug", name, drug.source) for name, drug in DRUGS.items() if drug.rxcui not in LISTED}
    # Products charted in place of their ingredient.
    | meanings("drug", midazolam="311700 311702 1666798 1666800 1666814 1666823", ketamine="238082 238083 238084")
    | meanings("action", MEMORY, reversal_given="4457", fluid="9863", vasopressor="3992 3616")
)

MEDICATIONS: Meanings = LISTED | BEYOND
