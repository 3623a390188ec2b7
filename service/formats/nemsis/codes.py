"""The codes of a NEMSIS v3.5.1 chart that are understood, each with its source.

``read``: the code stands in the schema files or the lists of the standard
(release 3.5.1.250403CP1). ``from memory``: it was not confirmed and wants a
terminology owner's look. ``near``: the standard's word has no equal of ours
and the nearest one is taken, with a notice. A code that stands in no table is
left out, with a notice. Single codes are quoted as facts; SNOMED CT is used by
permission of SNOMED International, ICD-10-CM is in the public domain.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial

from service.formats import diagnoses, procedures, rxnorm
from service.formats.meaning import MEMORY, READ, Meanings, words_of

NEMSIS = "http://www.nemsis.org"
XSI = "http://www.w3.org/2001/XMLSchema-instance"

#: Not Values (NV): left blank, said not to apply, never collected by this agency.
NOT_APPLICABLE, NOT_RECORDED, NOT_REPORTING = "7701001", "7701003", "7701005"
#: Pertinent negatives (PN) with a meaning of their own.
FINDING_NOT_PRESENT, SYMPTOM_NOT_PRESENT, APPROXIMATE = "8801005", "8801031", "8801029"
NO_KNOWN_ALLERGY, NONE_REPORTED = "8801013", "8801015"
NO, YES = "9923001", "9923003"
RXNORM, SNOMED = "9924003", "9924005"


@dataclass(frozen=True, slots=True)
class Code:
    """One code: our word for it, where the code comes from, and whether the word is only the nearest."""

    word: str
    source: str = READ
    near: bool = False


Table = dict[str, Code]


def _read(source: str = READ, near: bool = False, **words: str) -> Table:
    """A table of ``word="code code ..."``; ``_`` at the end of a word that Python reserves is dropped."""
    return {code: Code(word.rstrip("_"), source, near) for word, codes in words.items() for code in codes.split()}


_near, _memory = partial(_read, near=True), partial(_read, source=MEMORY)


#: PN of a nil element -> why there is no value.
DECLINED = _read(
    contraindicated="8801001 8801007",
    patient_refused="8801019",
    unable_to_obtain="8801021 8801023",
    not_indicated="8801027",
    other="8801003 8801009 8801017 8801025",
)

SEX = _read(female="9919001", male="9919003", unknown="9919005")
#: ePatient.13, deprecated in 3.5.1.
GENDER = _read(female="9906001", male="9906003", unknown="9906005") | _memory(other="9906007 9906009 9906011")
AGE_UNIT = _read(d="2516001", mo="2516007", a="2516009")
#: Hours and minutes: less than a day old.
AGE_UNDER_A_DAY = ("2516003", "2516005")
PREGNANT = _read(no="3118001", yes="3118005 3118007 3118009 3118011", unsure="3118003")
COMMUNICATION = _read(language="3101007", hearing="3101005", speech="3101023", cognitive="3101003")
PHYSICALLY_RESTRAINED = "3101017"

#: eHistory.17 and eHistory.01 -> (substance, basis).
SUBSTANCES: dict[str, tuple[str, str]] = {
    "3117001": ("alcohol", "found_on_scene"),
    "3117003": ("unknown", "found_on_scene"),
    "3117005": ("alcohol", "stated"),
    "3117007": ("unknown", "stated"),
    "3117009": ("unknown", "tested"),
    "3117013": ("unknown", "suspected"),
    "3117015": ("unknown", "stated"),
    "3117017": ("alcohol", "stated"),
    "3101033": ("alcohol", "suspected"),
    "3101035": ("unknown", "suspected"),
}

#: eCrew.02.
LEVEL = _read(
    emr="9925003", emt="9925005", aemt="9925001", paramedic="9925007 9925033 9925035", nurse="9925041 9925043",
    physician="9925027", none="9925025", other="9925023 9925029 9925031 9925037 9925039",
) | _near(aemt="9925002")  # fmt: skip
#: eProcedures.10: whom the one who did it works for, when that is not the crew.
ROLE_SERVICE = _read(law_enforcement="9905047", fire="9905051", family="9905049", bystander="9905045")
#: eProcedures.10: any level of care that works for the unit.
CREW_ROLES = frozenset(
    {
        "9905001", "9905002", "9905003", "9905005", "9905007", "9905025", "9905027", "9905029", "9905031", "9905033", "9905035",
        "9905037", "9905039", "9905041",
    }
)  # fmt: skip
#: eCrew.03: a caregiver during transport.
CARES_IN_TRANSPORT = frozenset({"2403009", "2403013"})
EQUIPMENT = _read(gloves="4503003", eye_protection="4503001", mask="4503015 4503017 4503021")
#: Levels from the lowest to the highest, for the highest aboard.
RANKS = ("none", "other", "emr", "emt", "aemt", "paramedic", "nurse", "physician")

RHYTHM = _read(
    vf="9901067", asystole="9901003", pea="9901035", vt="9901061 9901069 9901071", svt="9901059", af="9901007",
    bradycardia="9901045", sinus_tachycardia="9901049", sinus="9901043 9901047",
    other=(
        "9901001 9901009 9901011 9901013 9901015 9901017 9901019 9901021 9901023 9901025 9901027 9901029 9901030 9901031 "
        "9901033 9901037 9901039 9901041 9901051 9901053 9901055 9901057 9901058 9901063 9901065"
    ),
)  # fmt: skip
#: Of several rhythms in one set, the first of these.
WORST_RHYTHM = ("vf", "asystole", "pea", "vt", "svt", "bradycardia", "af", "other", "sinus_tachycardia", "sinus")
BP_METHOD = _read(automatic="3308005", auscultated="3308007", palpated="3308009")
#: Respiratory effort; assisted ventilation says nothing of the patient's own breathing.
BREATHING = _read(
    absent="3315001", laboured="3315003", normal="3315007", fast="3315009", shallow="3315011", agonal="3315013"
)
ACVPU = _read(alert="3326001", voice="3326003", pain="3326005", unresponsive="3326007")
MMHG, KPA = "3340001", "3340005"
#: 1 kPa in mmHg (NIST SP 811, table of conversion factors).
MMHG_PER_KPA = 7.50062


def _sides(*sites: tuple[str, str, str]) -> dict[str, tuple[str, str]]:
    return {
        code: (site, side)
        for site, left, right in sites
        for side, codes in (("left", left), ("right", right))
        for code in codes.split()
    }


#: eExam.15 -> (site, side). Hand and fingers lie beyond the wrist, foot and toes beyond the ankle.
LIMB_SITE = _sides(
    (
        "wrist",
        "3515093 3515097 3515101 3515013 3515017 3515021 3515025 3515041 3515045 3515069",
        "3515095 3515099 3515103 3515015 3515019 3515023 3515027 3515043 3515047 3515071",
    ),
    ("forearm", "3515037", "3515039"),
    (
        "ankle",
        "3515001 3515029 3515033 3515105 3515109 3515057 3515073 3515077 3515081 3515085 3515089",
        "3515003 3515031 3515035 3515107 3515111 3515059 3515075 3515079 3515083 3515087 3515091",
    ),
    ("thigh", "3515061", "3515063"),
)
#: eExam.16 -> our word, by member of a limb check; of several the worst, which stands first.
LIMB_FINDING: dict[str, Table] = {
    "pulse": _read(absent="3516059", weak="3516057", present="3516061"),
    "motor": _read(absent="3516045 3516055", reduced="3516043", normal="3516047"),
    "sensation": _read(absent="3516067", reduced="3516065", normal="3516069"),
    "skin": _read(blue="3516087", cold="3516085")
    | _near(pale="3516095")
    | _read(pale="3516097", swollen="3516029 3516079", broken="3516001 3516007 3516013 3516041 3516063"),
}
LIMB_NORMAL, LIMB_NOT_DONE = "3516049", "3516051"
COMBATIVE = "3519001"
SEIZURE = frozenset({"3520026", "3520055"})

ROUTE = _read(
    im="9927015", iv="9927023 9927069", io="9927021", in_="9927017", po="9927035", sl="9927047", pr="9927043"
) | _read(
    other=(
        "9927001 9927003 9927005 9927007 9927009 9927011 9927013 9927019 9927025 9927027 9927029 9927031 9927033 9927037 9927039 "
        "9927041 9927045 9927049 9927051 9927053 9927055 9927057 9927059 9927061 9927063 9927065 9927067 9927071 9927073 9927075"
    )
)
DOSE_UNIT = {
    "3706001": Code("g"),
    "3706015": Code("ug"),
    "3706021": Code("mg"),
    "3706025": Code("mL"),
    "3706039": Code("mg/kg"),
    "3706047": Code("ug/kg"),
}
ORDERED_BY = _read(medical_direction="9918001 9918003", protocol="9918005", other="9918007")
#: eMedications.07. "Improved" does not say whether in part or as intended.
EFFECT = _read(none="9916003")
ADVERSE_EFFECT = _read(
    apnoea="3708003", hypertension="3708015", hypotension="3708019", hypoxia="3708023", vomiting="3708041",
    dysrhythmia="3708007 3708037",
    other="3708001 3708005 3708009 3708011 3708013 3708017 3708021 3708025 3708029 3708033 3708035 3708039 3708043 3708045",
)  # fmt: skip
NO_COMPLICATION = frozenset({"3708031", "3907033"})
#: PN beside a value of eMedications.03 -> why it was not given.
NOT_GIVEN = _read(
    contraindicated="8801001 8801007", denied_by_order="8801003", patient_refused="8801019", not_needed="8801027",
    other="8801009 8801023",
)  # fmt: skip
PROCEDURE_COMPLICATION = _read(
    apnoea="3907003", hypertension="3907017", hypotension="3907021", hypoxia="3907025",
    other="3907001 3907005 3907007 3907009 3907011 3907013 3907015 3907019 3907023 3907031 3907035 3907039 3907041 3907043 3907045 3907047 3907049 3907051",
)  # fmt: skip
#: Complications that are dangers with a word among the events: eProcedures.07 and eMedications.08.
EVENT_OF_COMPLICATION = {
    code: word
    for word, told in {
        "apnoea": "3907003 3708003",
        "breathing_complaint": "3907039 3708035",
        "vomiting": "3907045 3708041",
    }.items()
    for code in told.split()
}
#: eMedications.08 of a drug that is no dose -> a complication.
COMPLICATION_OF_DRUG = {"3708003": "apnoea", "3708015": "hypertension", "3708019": "hypotension", "3708023": "hypoxia"}
#: eMedications.07, eProcedures.08: the patient was worse after it.
WORSE = "9916005"
PROCEDURE_INJURY = "3907027"
BEHAVIOURAL_PROTOCOL = "9914053"

ARREST_BEFORE, ARREST_AFTER = "3001003", "3001005"
TRANSPORTED = _read(yes="4230001 4230003", no="4230005 4230007 4230009 4230011 4230013")
POSTURE = _read(
    semi_fowler="4214013", fowler="4214003", left_lateral="4214005", right_lateral="4214007", prone="4214011", seated="4214015",
    supine="4214017", other="4214009 4214019",
) | _near(seated="4214001 4214021 4214023 4214025 4214027")  # fmt: skip
DEAD = frozenset({"4219007", "4219009"})
#: eDisposition.31, reason for refusal or release.
HOW_ENDED = _read(
    released_to_law_enforcement="4231007", refused="4231001 4231003 4231009 4231017", other="4231005 4231015",
)  # fmt: skip
LAW_ENFORCEMENT_AT_SCENE = "2704009"
CREW_INJURY = _read(
    exposure="4506007 4506009 4506011 4506013 4506015 4506017 4506019 4506021", strain="4506023", other="4506025 4506029",
) | _near(other="4506035 4506041 4506003")  # fmt: skip
#: Statements that the patient was restrained, besides procedures: ambulance condition, signature status.
HAD_TO_BE_RESTRAINED, NOT_SIGNED_RESTRAINED = "07", "4515037"
SIGNED = frozenset({"4515031", "4515033"})
HEALTHCARE_PROVIDER, TRANSFER_OF_CARE = "4512005", "4513007"


# ---------------------------------------------------------------- every table, by element


def _pairs(table: Mapping[str, tuple[str, str]]) -> Table:
    return {code: Code(" ".join(words)) for code, words in table.items()}


def _each(word: str, *codes: str) -> Table:
    return {code: Code(word) for code in codes}


def _shown(found: Meanings) -> Table:
    """A table of meanings for people to read; of what is left aside it says why."""
    return {
        code: Code(f"not used: {each.word}" if each.kind == "aside" else each.word, each.source, each.near)
        for code, each in found.items()
    }


#: Element, or attribute with where it stands -> the codes of the standard that are read from it.
BY_ELEMENT: dict[str, Table] = {
    "NV": _each("declined: not_indicated", NOT_APPLICABLE)
    | _each("missing", NOT_RECORDED)
    | _each("not_collected", NOT_REPORTING),
    "PN in place of a value": DECLINED,
    "PN of eMedications.03": NOT_GIVEN,
    "PN of a finding": _each("not there", FINDING_NOT_PRESENT, SYMPTOM_NOT_PRESENT),
    "PN of a list": _each("none", NO_KNOWN_ALLERGY, NONE_REPORTED),
    "PN of any value": _each("approximate", APPROXIMATE),
    "ePatient.13": GENDER,
    "ePatient.16": AGE_UNIT | _each("d", *AGE_UNDER_A_DAY),
    "ePatient.25": SEX,
    "eHistory.01": COMMUNICATION
    | _each("restrained", PHYSICALLY_RESTRAINED)
    | _pairs({code: words for code, words in SUBSTANCES.items() if code.startswith("3101")}),
    "eHistory.17": _pairs({code: words for code, words in SUBSTANCES.items() if code.startswith("3117")}),
    "eHistory.18": PREGNANT,
    "eCrew.02": LEVEL,
    "eCrew.03": _each("attendant during transport", *sorted(CARES_IN_TRANSPORT)),
    "eScene.04": _each("law enforcement present", LAW_ENFORCEMENT_AT_SCENE),
    "eArrest.01": _each("arrest, before this unit's care", ARREST_BEFORE)
    | _each("arrest, in this unit's care", ARREST_AFTER),
    "eVitals.02": _each("in this unit's care", NO) | _each("before this unit's care", YES),
    "eVitals.03": RHYTHM,
    "eVitals.08": BP_METHOD,
    "eVitals.15": BREATHING,
    "eVitals.16 ETCO2Type": _each("mmHg", MMHG) | _each("kPa, converted", KPA),
    "eVitals.26": ACVPU,
    "eExam.15": _pairs(LIMB_SITE),
    "eExam.16": {
        code: Code(f"{member} {found.word}", found.source, found.near)
        for member, table in LIMB_FINDING.items()
        for code, found in table.items()
    }
    | _each("normal", LIMB_NORMAL)
    | _each("not done", LIMB_NOT_DONE),
    "eExam.19": _each("behavior, not said which", COMBATIVE),
    "eExam.20": _each("seizure", *sorted(SEIZURE)),
    "eMedications.04": ROUTE,
    "eMedications.06": DOSE_UNIT,
    "eMedications.07": EFFECT,
    "eMedications.08": ADVERSE_EFFECT | _each("none", *sorted(code for code in NO_COMPLICATION if code[:4] == "3708")),
    "eMedications.11": ORDERED_BY,
    "eProcedures.07": PROCEDURE_COMPLICATION
    | _each("injury of the patient", PROCEDURE_INJURY)
    | _each("none", *sorted(code for code in NO_COMPLICATION if code[:4] == "3907")),
    "eProcedures.10": ROLE_SERVICE | _each("ems", *sorted(CREW_ROLES)),
    "eProtocols.01": _each("restraint, with a sedative given", BEHAVIOURAL_PROTOCOL),
    "eDisposition.14": POSTURE,
    "eDisposition.19": _each("died", *sorted(DEAD)),
    "eDisposition.30": TRANSPORTED,
    "eDisposition.31": HOW_ENDED,
    "eOther.01": _each("no", NO) | _each("yes", YES),
    "eOther.03": EQUIPMENT,
    "eOther.05": _each("no", NO),
    "eOther.06": CREW_INJURY,
    "eOther.12": _each("receiver", HEALTHCARE_PROVIDER),
    "eOther.13": _each("transfer of care", TRANSFER_OF_CARE),
    "eOther.15": _each("signed", *sorted(SIGNED)) | _each("restrained", NOT_SIGNED_RESTRAINED),
    "ePayment.47": _each("restrained", HAD_TO_BE_RESTRAINED),
}
#: The same for codes of other systems, which the schema does not list: RxNorm, SNOMED CT, ICD-10-CM (beginnings).
BY_ELEMENT_OF_OTHERS: dict[str, Table] = {
    "eMedications.03": _shown(rxnorm.MEDICATIONS),
    "eHistory.06": _shown(words_of(rxnorm.MEDICATIONS, "drug")),
    "eHistory.08": _shown(diagnoses.HISTORY),
    "eProcedures.03": _shown(procedures.PROCEDURES),
    "eSituation.09": _shown(diagnoses.SYMPTOMS),
    "eSituation.10": _shown(diagnoses.SYMPTOMS),
    "eSituation.11": _shown(diagnoses.IMPRESSIONS),
    "eSituation.12": _shown(diagnoses.IMPRESSIONS),
}
#: Element that is read and is no member by itself -> what it is read for.
HELPERS: dict[str, str] = {
    "eCrew.01": "tells which crew member did what; the number itself is not kept",
    "eCrew.03": "tells who attends during transport",
    "eOther.05": "tells that no crew member was hurt",
    "eOther.12": "with eOther.13 and eOther.15: the receiver signed for the patient",
    "eOther.13": "with eOther.12 and eOther.15: the receiver signed for the patient",
    "eOther.15": "with eOther.12 and eOther.13: the receiver signed; and a statement that the patient was restrained",
    "ePayment.47": "a statement that the patient was restrained",
    "eProcedures.02": "tells whether a complication came before this unit's care",
    "eProcedures.06": "a restraint that was not successful is none, and what failed answers no danger",
    "eProcedures.08": "worse after it: a complication without a name",
    "eSituation.01": "the time of the primary symptom, where that is an event",
    "eSituation.09": "an event, behavior, condition, substance or injury, by its code",
    "eSituation.10": "the same of the other symptoms",
    "eSituation.11": "the same of the primary impression",
    "eSituation.12": "the same of the other impressions",
    "eProtocols.01": "with a sedative: the patient was restrained by it",
    "eCustomConfiguration.01": "title of a custom element, which the mapping asks for beside its id",
    "eCustomResults.01": "value of a custom element",
    "eCustomResults.02": "id of a custom element",
    "eCustomResults.03": "CorrelationID of the group that the value belongs to",
}
