"""Procedures by SNOMED CT code: what each means for a restraint, for the readers of every format.

``LISTED`` is the procedure list of NEMSIS 3.5.1, code for code (a test holds it
against the list). ``BEYOND`` are codes that stand elsewhere. SNOMED CT is used by
permission of SNOMED International; single codes are quoted as facts.
"""

from __future__ import annotations

from .meaning import MEMORY, Meanings, aside, meanings

LISTED: Meanings = (
    meanings("restraint", restraint="386423001")
    | meanings("hold", hold="78086002")
    | meanings(
        "action",
        oxygen_given="57485005 371907003 371908008",
        airway_opened="23690002 232664002",
        airway_device=(
            "7443007 182692007 429705000 427753009 424979004 232674004 450601000124103 241689008 450611000124100"
        ),
        ventilated="425447009 243140006 243142003 47545007 45851008 385857005",
        suction="230040009",
        fluid="431393006 103744005 116859006",
        cooling="431774007",
        warming="431949004",
        cpr="89666000 429283006",
        defibrillation="450661000124102 426220008",
        pacing="18590009",
        other="128968000 182705007",
    )
    # "Cardioversion" is a shock in step with the heart; "hypoglycemia management" does not say which sugar, and
    # "nebulizer therapy" not which drug.
    | meanings(
        "action",
        near=True,
        defibrillation="250980009",
        dextrose="386328006",
        posture_changed="225287004",
        bronchodilator="56251003",
    )
    | meanings(
        "monitor",
        capnography="284029005 425543005",
        oximetry="252465000",
        ecg="23852006 428803005 46825001",
        observation="182777000",
    )
    | meanings("contact", medical_direction="304562007")
    | meanings("transfer", transfer="429202003 308292007")
    | aside("the drug stands among the drugs", "18629005 386358000 278414003")
    | aside(
        "an examination; what was found stands where it was found",
        "408994004 422618004 315639002 225398001 423850004 386053000 270352002 171397002 423184003 423401003 "
        "225399009 445828009 284405008 284394000 225718003",
    )
    | aside("a single tracing, no stretch of monitoring", "268400002 29303009")
    | aside(
        "the value stands among the vital signs",
        "33747003 46973005 248753002 68664003 65653002 408867002 56342008 61746007 425058005",
    )
    | aside(
        "a way into the blood, and nothing given by it",
        "392247006 226005007 425074000 430824005 392230005 353008 424287005 396540005 405427009",
    )
    | aside("a tube into the stomach", "87750000 235425002")
    | aside(
        "keeps an injured part still; no restraint for behavior",
        "49689007 707794004 450591000124106 182556001 79321009 302488007 398041008 449199004 426498007",
    )
    | aside(
        "care of a wound",
        "447686008 182555002 373675000 133901003 182531007 22206003 26906007 372045002 225116006 20655006 225358003",
    )
    | aside("moving the patient says nothing of restraint", "58715004 56469005")
    | aside("the room or the crew, not the patient", "228621007 409582008")
    | aside("another matter", "386237008 22633006")
)

BEYOND: Meanings = meanings("restraint", MEMORY, restraint="68894007")

PROCEDURES: Meanings = LISTED | BEYOND
