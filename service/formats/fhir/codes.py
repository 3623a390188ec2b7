"""The codes of other people's code systems that are understood, each with its source.

``read``: the code stands in a file of a standards body that was read (HL7 CDA
EMS Patient Care Report, HL7 vital signs and US Core examples, NEMSIS lists,
IHE Paramedicine Summary of Care, FHIR R4 value sets). ``from memory``: it was
not confirmed and wants a terminology owner's look. Single codes are quoted as
facts. SNOMED CT is used by permission of SNOMED International; LOINC is
copyright Regenstrief Institute and available at no cost under its license.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from service.episode.drugs import DRUGS
from service.formats import procedures, rxnorm
from service.formats.meaning import MEMORY, READ, Meanings, words_of

SNOMED = "http://snomed.info/sct"
LOINC = "http://loinc.org"
RXNORM = "http://www.nlm.nih.gov/research/umls/rxnorm"
UCUM = "http://unitsofmeasure.org"
CONDITION_CATEGORY = "http://terminology.hl7.org/CodeSystem/condition-category"
ICD10CM = "http://hl7.org/fhir/sid/icd-10-cm"
NCIT = "http://ncithesaurus-stage.nci.nih.gov"
DISCHARGE = "http://terminology.hl7.org/CodeSystem/discharge-disposition"
ABSENT_REASON = "http://terminology.hl7.org/CodeSystem/data-absent-reason"
DATA_OPERATION = "http://terminology.hl7.org/CodeSystem/v3-DataOperation"

#: Other spellings of the same systems (OIDs of the HL7 registry).
SAME_SYSTEM = {
    "urn:oid:2.16.840.1.113883.6.96": SNOMED,
    "urn:oid:2.16.840.1.113883.6.1": LOINC,
    "urn:oid:2.16.840.1.113883.6.88": RXNORM,
    "urn:oid:2.16.840.1.113883.3.26.1.1": NCIT,
    "urn:oid:2.16.840.1.113883.6.90": ICD10CM,
}


@dataclass(frozen=True, slots=True)
class Row:
    """One code. ``means``: our word, or a tuple of words; ``source``: ``read`` or ``from memory``."""

    system: str
    code: str
    means: Any
    source: str


@dataclass(frozen=True, slots=True)
class Table:
    """The codes of one use. ``texts``: words in lower case -> what they mean; ``by_code``: (system, code) -> the same."""

    rows: tuple[Row, ...]
    texts: dict[str, Any] = field(default_factory=dict)
    by_code: dict[tuple[str, str], Any] = field(init=False)

    def __post_init__(self) -> None:
        """Index the rows."""
        object.__setattr__(self, "by_code", {(r.system, r.code): r.means for r in self.rows})

    def code_of(self, means: Any) -> Row | None:
        """The first code with that meaning, for writing; None where there is none."""
        return next((row for row in self.rows if row.means == means), None)


def _meant(system: str, found: Meanings, kind: str) -> tuple[Row, ...]:
    """The codes of one kind of a table that serves every format."""
    return tuple(Row(system, code, each.word, each.source) for code, each in words_of(found, kind).items())


def _words(system: str, source: str, **words: str) -> tuple[Row, ...]:
    """Codes as ``word="code code ..."``; ``_`` at the end of a word that Python reserves is dropped."""
    return tuple(Row(system, code, word.rstrip("_"), source) for word, codes in words.items() for code in codes.split())


def _rows(system: str, source: str, pairs: Iterable[tuple[str, Any]]) -> tuple[Row, ...]:
    return tuple(Row(system, code, means, source) for code, means in pairs)


#: What an Observation, Procedure or Communication is about.
SUBJECTS = Table(
    tuple(
        row
        for kind in ("restraint", "hold", "monitor", "contact", "transfer")
        for row in _meant(SNOMED, procedures.PROCEDURES, kind)
    )
    + _words(
        LOINC, READ, limb_check="67533-0", posture="8361-8", breathing="80341-1", mental_status="67535-5",
        barrier="67515-7", narrative="67781-5", at_patient="69474-5", departed="69475-2", arrived="69476-0",
        drug_response="67540-5", drug_complication="67541-3", complication="67545-4", pressures="85354-9",
        age="30525-0", weight="29463-7", weight_estimated="8335-2", weight_measured="3141-9",
    )
    # Read elsewhere in the chart, or of no use to a review; no notice.
    + _words(LOINC, READ, quiet="67537-1 67492-9 67774-0 69473-7 56840-2 8478-0 8302-2 39156-5")
    + _words(LOINC, MEMORY, panel="85353-1", pregnancy="82810-3", gestation="18185-9"),
    {"physical restraint": "restraint", "holding patient": "hold"},
)  # fmt: skip

#: Vital signs: LOINC -> member of a vital sign set. LOINC defines 19889-5 as a fraction, and it is sent with mm[Hg] too:
#: the unit decides.
SIGNS = Table(
    _words(
        LOINC, READ, hr="8867-4", rr="9279-1", spo2="59408-5 2708-6", sbp="8480-6", dbp="8462-4",
        temperature_c="8310-5 8331-1 8328-7", glucose_mg_dl="2339-0", gcs_eye="9267-6", gcs_verbal="9270-0",
        gcs_motor="9268-4", gcs_total="9269-2", acvpu="67775-7", rhythm="8884-9 67519-9", oxygen_l_min="3151-8",
        oxygen_percent="3150-6", etco2_mmhg="19889-5",
    )
    + _words(
        LOINC, MEMORY, etco2_mmhg="19891-1", glucose_mg_dl="41653-7 15074-8", qtc_ms="8636-3",
        temperature_c="8332-5 8332-9 8333-7 75539-7",
    )
    + _words(LOINC, MEMORY, glucose_mg_dl="2345-7", hr="8889-8")
    + _rows(SNOMED, READ, [("457441000124102", "rass")])
    + _rows(SNOMED, MEMORY, [("1345050000", "rass")]),
)  # fmt: skip

#: Answers of the Glasgow Coma Scale (LOINC answer lists); three read, the rest of each list from memory.
GCS_ANSWERS = Table(
    _rows(LOINC, READ, [("LA6556-0", 4), ("LA6560-2", 4), ("LA6566-9", 5)])
    + _rows(LOINC, MEMORY, [
        ("LA6553-7", 1), ("LA6554-5", 2), ("LA6555-2", 3), ("LA6557-8", 1), ("LA6558-6", 2), ("LA6559-4", 3),
        ("LA6561-0", 5), ("LA6562-8", 1), ("LA6563-6", 2), ("LA6564-4", 3), ("LA6565-1", 4), ("LA6567-7", 6),
    ])
)  # fmt: skip

AVPU = Table(
    _words(LOINC, READ, alert="LA9340-6", voice="LA17108-4", pain="LA17107-6", unresponsive="LA9343-0")
    + _words(SNOMED, READ, alert="248234008", voice="255373000", pain="450847001", unresponsive="422768004"),
    {
        "alert": "alert",
        "confused": "confused",
        "verbal": "voice",
        "voice": "voice",
        "pain": "pain",
        "painful": "pain",
        "unresponsive": "unresponsive",
    },
)

RHYTHMS = Table(
    _words(
        SNOMED, MEMORY, sinus="426783006 64730000", sinus_tachycardia="11092001", bradycardia="49710005",
        svt="6456007", af="49436004", vt="25569003", vf="71908006", asystole="397829000",
    ),
    {
        "sinus rhythm": "sinus",
        "normal sinus rhythm": "sinus",
        "sinus tachycardia": "sinus_tachycardia",
        "sinus bradycardia": "bradycardia",
        "atrial fibrillation": "af",
        "ventricular tachycardia": "vt",
        "ventricular fibrillation": "vf",
        "pulseless electrical activity": "pea",
        "asystole": "asystole",
    },
)  # fmt: skip

#: What the mental status list says the patient did; the words are ours.
BEHAVIOURS = Table(
    _rows(LOINC, READ, [("LA17287-6", "Combative"), ("LA6150-2", "Agitated"), ("LA17317-1", "Uncooperative")])
)

#: The barrier to care that says the patient was restrained.
BARRIERS = Table(_rows(LOINC, READ, [("LA17312-2", "restrained")]))

#: Body sites: (site, side), and (limb, side) where the code names another part of it.
SITES = Table(
    _rows(SNOMED, READ, [
        ("9736006", ("wrist", "right")), ("5951000", ("wrist", "left")), ("6685009", ("ankle", "right")),
        ("51636004", ("ankle", "left")), ("64262003", ("forearm", "right")), ("66480008", ("forearm", "left")),
        ("11207009", ("thigh", "right")), ("61396006", ("thigh", "left")),
    ])
    + _rows(LOINC, READ, [
        ("LA18766-8", ("wrist", "left")), ("LA18765-0", ("wrist", "right")), ("LA18739-5", ("ankle", "left")),
        ("LA18740-3", ("ankle", "right")),
    ]),
    {f"{side} {site}": (site, side) for site in ("wrist", "ankle", "forearm", "thigh") for side in ("left", "right")},
)  # fmt: skip

#: Other parts of a limb, read as the usual site of a device on it, with a notice.
NEAR_SITES = Table(
    _rows(SNOMED, READ, [
        ("368455003", ("wrist", "right")), ("368456002", ("wrist", "left")), ("368209003", ("forearm", "right")),
        ("368208006", ("forearm", "left")), ("239830003", ("ankle", "right")), ("239919000", ("ankle", "left")),
        ("32696007", ("ankle", "right")), ("48979004", ("ankle", "left")), ("362784000", ("ankle", "right")),
        ("362785004", ("ankle", "left")),
    ]),
    {
        f"{side} {part}": (site, side)
        for part, site in (("hand", "wrist"), ("arm", "wrist"), ("foot", "ankle"), ("leg", "ankle"))
        for side in ("left", "right")
    },
)  # fmt: skip

POSTURES = Table(
    _words(
        SNOMED, READ, prone="1240000", supine="40199007", fowler="30212006", seated="33586001",
        right_lateral="102535000", left_lateral="102536004", other="34106002 102538003 26527006",
    ),
    {
        "prone": "prone",
        "face down": "prone",
        "supine": "supine",
        "semi-fowler": "semi_fowler",
        "semi-fowlers": "semi_fowler",
        "semi fowler": "semi_fowler",
        "fowler": "fowler",
        "fowlers": "fowler",
        "sitting": "seated",
        "seated": "seated",
        "standing": "standing",
        "kneeling": "kneeling",
        "left lateral": "left_lateral",
        "right lateral": "right_lateral",
    },
)  # fmt: skip

#: Findings on a limb: (member of a limb check, word).
LIMB_FINDINGS = Table(
    _rows(SNOMED, READ, [
        ("12146004", ("pulse", "present")), ("67683007", ("pulse", "weak")), ("54518005", ("pulse", "absent")),
        ("299956006", ("sensation", "normal")), ("247322000", ("sensation", "reduced")),
        ("33653009", ("sensation", "absent")), ("301999002", ("motor", "normal")), ("225601007", ("motor", "absent")),
    ])
    + _rows(LOINC, READ, [
        ("LA17271-0", ("pulse", "present")), ("LA17269-4", ("pulse", "weak")), ("LA17270-2", ("pulse", "absent")),
        ("LA17274-4", ("sensation", "normal")), ("LA17272-8", ("sensation", "reduced")),
        ("LA17273-6", ("sensation", "absent")), ("LA17268-6", ("motor", "normal")),
        ("LA17266-0", ("motor", "reduced")), ("LA17267-8", ("motor", "absent")), ("LA22440-4", ("skin", "swollen")),
        ("LA7410-9", ("skin", "broken")), ("LA7452-1", ("skin", "broken")),
    ])
)  # fmt: skip
CAPILLARY_REFILL = Table(_rows(LOINC, MEMORY, [("44963-7", "cap_refill_s")]))

BREATHING = Table(
    _words(
        SNOMED, READ, absent="1023001", laboured="248549001", shallow="386616007", agonal="430546009",
        normal="1290338002",
    ),
    {
        "normal": "normal",
        "labored": "laboured",
        "shallow": "shallow",
        "rapid": "fast",
        "agonal": "agonal",
        "apneic": "absent",
    },
)  # fmt: skip

COMPLICATIONS = Table(
    _words(
        SNOMED, READ, apnoea="1023001", hypoxia="389086002", hypotension="16055431000119108",
        other="271825005 422400008 735912006 419284004 48867003 271823003",
    )
    + _words(
        LOINC, READ, apnoea="LA17393-2", hypoxia="LA17396-5", hypotension="LA7443-0", other="LA9548-4", none="LA137-2",
    ),
)  # fmt: skip

#: Complications that are dangers with a word among the events.
EVENT_OF_COMPLICATION = Table(
    _words(SNOMED, READ, apnoea="1023001", breathing_complaint="271825005", vomiting="422400008")
    + _rows(LOINC, READ, [("LA17393-2", "apnoea")])
)
#: What came of a procedure.
OUTCOMES = Table(
    _rows(SNOMED, MEMORY, [("385671000", "unsuccessful"), ("385669000", "successful")]),
    {"unsuccessful": "unsuccessful", "not successful": "unsuccessful"},
)
#: Diagnoses that are dangers with a word among the events.
DIAGNOSED_EVENTS = Table(
    _words(
        SNOMED, MEMORY, arrest="410429000", seizure="91175000", apnoea="1023001 87317003", vomiting="422400008",
        breathing_complaint="267036007 271825005",
    )
)  # fmt: skip

#: Response to a drug -> effect of a dose. Improved does not say whether in part or as intended; worse is neither.
EFFECTS = Table(_rows(LOINC, READ, [("LA17181-1", "none")]) + _rows(SNOMED, READ, [("260388006", "none")]))

ROUTES = Table(
    _rows(SNOMED, READ, [("47625008", "iv")])
    + _words(SNOMED, MEMORY, im="78421000", in_="46713006", io="417985001", po="26643006", sl="37839007")
    + _words(
        NCIT, READ, im="C28161", iv="C38276", in_="C38284", io="C38253", po="C38288", sl="C38300", pr="C38295",
        other="C38290",
    ),
    {
        "im": "im",
        "intramuscular": "im",
        "intramuscular route": "im",
        "iv": "iv",
        "intravenous": "iv",
        "intravenous route": "iv",
        "io": "io",
        "intraosseous": "io",
        "in": "in",
        "intranasal": "in",
        "nasal": "in",
        "po": "po",
        "oral": "po",
        "sl": "sl",
        "sublingual": "sl",
        "rectal": "pr",
    },
)  # fmt: skip

#: Ingredients an episode can name.
INGREDIENTS = Table(
    _meant(RXNORM, rxnorm.MEDICATIONS, "drug"),
    {name: name for name in DRUGS}
    | dict.fromkeys(("etomidate", "propofol", "buprenorphine", "rocuronium", "succinylcholine", "vecuronium"), "other"),
)

#: Drugs that answer a danger: an action, not a dose.
ANSWERING_DRUGS = Table(
    _meant(RXNORM, rxnorm.MEDICATIONS, "action")
    + _meant(SNOMED, rxnorm.BLOOD, "action")
    + _meant(SNOMED, procedures.PROCEDURES, "action"),
    {
        "sodium chloride": "fluid",
        "normal saline": "fluid",
        "saline": "fluid",
        "lactated ringer's": "fluid",
        "lactated ringers": "fluid",
        "naloxone": "reversal_given",
        "flumazenil": "reversal_given",
        "dextrose": "dextrose",
        "glucose": "dextrose",
        "glucagon": "glucagon",
        "oxygen": "oxygen_given",
        "dopamine": "vasopressor",
        "epinephrine": "vasopressor",
        "norepinephrine": "vasopressor",
        "phenylephrine": "vasopressor",
        "vasopressin": "vasopressor",
        "magnesium sulfate": "magnesium",
    }
    | dict.fromkeys(
        ("albuterol", "albuterol / ipratropium", "ipratropium", "levalbuterol", "terbutaline"), "bronchodilator"
    )
    | dict.fromkeys(
        ("adenosine", "amiodarone", "atropine", "diltiazem", "lidocaine", "labetalol", "metoprolol"),
        "drug_for_adverse_effect",
    ),
)

#: Drugs that neither sedate nor answer a danger here: left aside with a notice.
ASIDE_DRUGS = Table(
    _meant(RXNORM, rxnorm.MEDICATIONS, "aside") + _meant(SNOMED, rxnorm.BLOOD, "aside"),
    dict.fromkeys(("acetaminophen", "aspirin", "dexamethasone", "ibuprofen", "nitroglycerin", "ondansetron"), "aside"),
)

#: Procedures that answer a danger; procedures without a meaning here, and why.
ACTIONS = Table(_meant(SNOMED, procedures.PROCEDURES, "action"))
ASIDE_PROCEDURES = Table(_meant(SNOMED, procedures.PROCEDURES, "aside"))

LEVELS = Table(
    _rows(SNOMED, READ, [("397897005", "paramedic")]),
    {
        "paramedic": "paramedic",
        "emt": "emt",
        "emergency medical technician": "emt",
        "advanced emt": "aemt",
        "aemt": "aemt",
        "emergency medical responder": "emr",
        "registered nurse": "nurse",
        "nurse": "nurse",
        "physician": "physician",
    },
)
#: Levels whose bearer works for an ambulance service when charted as a function in a run.
EMS_LEVELS = frozenset({"emr", "emt", "aemt", "paramedic"})

#: How care ended without transfer, where the Encounter says so; every other disposition is a way of being handed on.
DISPOSITIONS = Table(
    _rows(DISCHARGE, MEMORY, [("aadvice", "refused"), ("exp", "died")]),
    {
        "against medical advice": "refused",
        "left against medical advice": "refused",
        "refused transport": "refused",
        "released to law enforcement": "released_to_law_enforcement",
    },
)

#: Devices on limbs and of law enforcement, by plain words: no code of any system is confirmed for them.
LIMB_DEVICES = {
    "hook and loop": "soft_hook_and_loop",
    "cloth": "soft_cloth",
    "leather": "padded_leather",
    "gauze": "gauze",
    "tape": "tape",
    "zip tie": "plastic_tie",
    "plastic tie": "plastic_tie",
    "sheet": "sheet",
    "soft": "soft",
}
POLICE_DEVICES = {
    "handcuff": "handcuffs",
    "flex cuff": "flex_cuffs",
    "flex-cuff": "flex_cuffs",
    "leg iron": "leg_irons",
    "hobble": "hobble",
}

CONDITIONS = Table(
    _words(
        SNOMED, MEMORY, asthma="195967001", copd="13645005", coronary_disease="53741008", recent_mi="22298006",
        heart_failure="84114007", long_qt="9651007", seizure_disorder="84757009 128613002", stroke="230690007",
        diabetes="73211009", dementia="52448006", autism="35919005 408856003",
        psychiatric_illness="74732009 58214004 13746004", obesity="414916001", sleep_apnoea="78275009",
    )
)  # fmt: skip
INJURIES = Table(
    _words(
        SNOMED, MEMORY, bruise="125667009", wound="125643001", bite="283682007", fracture="125605004",
        dislocation="108367008", head_injury="82271004", strain="384709000",
    )
)  # fmt: skip
PREGNANCY = Table(_rows(SNOMED, MEMORY, [("77386006", True), ("60001007", False)]))
NO_ALLERGY = Table(_rows(SNOMED, MEMORY, [("716186003", "none"), ("409137002", "none")]))

#: dataAbsentReason -> an absence of ours (``declined:`` and a reason), or nothing: then the value is missing.
ABSENCES = Table(
    _rows(ABSENT_REASON, READ, [
        ("asked-declined", {"absent": "declined", "reason": "patient_refused"}),
        ("asked-unknown", {"absent": "declined", "reason": "unable_to_obtain"}),
        ("not-applicable", {"absent": "declined", "reason": "not_indicated"}),
        ("error", {"absent": "declined", "reason": "equipment_failed"}), ("unsupported", {"absent": "not_collected"}),
        ("masked", {"absent": "not_collected"}), ("as-text", {"absent": "not_collected"}),
    ])
)  # fmt: skip
