"""What the two formats have a place for, from the standards: the tables are held against each other.

Sources: NEMSIS v3.5.1 data dictionary (national elements), US Core profiles of
FHIR R4. What one has a place for and the other has not stands here with a reason.
"""

from __future__ import annotations

from service.episode.absence import NOT_COLLECTED
from service.formats.fhir.carried import EVERY_NOT_CARRIED as NOT_IN_FHIR
from service.formats.nemsis.carried import EVERY_NOT_CARRIED as NOT_IN_NEMSIS
from tests.support import fhir, nemsis

#: Member path -> why NEMSIS has a place for it, and all below it, and FHIR has none.
ONLY_NEMSIS = {
    "/monitoring/vitals/*/before_care": "eVitals.02",
    "/monitoring/vitals/*/bp_method": "eVitals.08; in US Core a method is free to be left out and has no set of codes",
    "/patient/communication_need": "eHistory.01",
    "/patient/substances": "eHistory.17",
    "/sedation/doses/*/adverse_effects": "eMedications.08; an administration in FHIR has no element for it",
    "/sedation/doses/*/effect": "eMedications.07; an administration in FHIR has no element for it",
    "/team/highest_level": "eCrew.02 of everybody aboard; a Bundle names only who did something",
    "/team/members/*/service": "eProcedures.10; a PractitionerRole has no code for the service",
    "/transport": "eTimes; US Core has no times of a run",
}
#: The same for FHIR.
ONLY_FHIR = {
    "/application": "Procedure.bodySite and performedPeriod of a restraint; eProcedures has neither limb nor end",
    "/decision": "Procedure.reasonCode; eProcedures has no reason",
    "/injuries": "Patient.deceased and Condition; eDisposition.19 and eProcedures.07 say little more than that there was one",
    "/monitoring/actions/*/by": "Procedure.performer; eProcedures.09 is optional",
    "/monitoring/actions/*/end": "Procedure.performedPeriod; eProcedures.01 is one time",
    "/monitoring/vitals/*/glucose_reading": "Quantity.comparator; eVitals.18 takes Low and High in place of a number",
    "/monitoring/vitals/*/oxygen": "components of the US Core pulse oximetry profile",
    "/monitoring/vitals/*/oxygen_l_min": "components of the US Core pulse oximetry profile",
    "/patient/gestation_weeks": "an Observation; eHistory.18 says whether, not how long",
    "/patient/pregnant": "US Core pregnancy status; eHistory.18 is optional",
    "/patient/weight_basis": "codes of their own for weight measured and estimated",
    "/sedation/doses/*/reason": "MedicationAdministration.reasonCode",
}


def _under(path: str, table: dict[str, str]) -> bool:
    return any(path == known or path.startswith(f"{known}/") for known in table)


def test_every_difference_between_the_tables_has_a_reason() -> None:
    fhir_lacks = {path for path in NOT_IN_FHIR if not path.endswith("/entered")}
    nemsis_lacks = set(NOT_IN_NEMSIS)
    assert [path for path in sorted(fhir_lacks - nemsis_lacks) if not _under(path, ONLY_NEMSIS)] == []
    assert [path for path in sorted(nemsis_lacks - fhir_lacks) if not _under(path, ONLY_FHIR)] == []


def test_no_reason_is_left_over() -> None:
    fhir_lacks, nemsis_lacks = set(NOT_IN_FHIR), set(NOT_IN_NEMSIS)
    for path in ONLY_NEMSIS:
        assert any(_under(each, {path: ""}) for each in fhir_lacks - nemsis_lacks), path
    for path in ONLY_FHIR:
        assert any(_under(each, {path: ""}) for each in nemsis_lacks - fhir_lacks), path


def test_what_a_system_does_for_the_patient_has_a_place_in_both() -> None:
    """eProcedures.03 and eMedications.03 are national elements; US Core has a profile for procedures."""
    assert "/monitoring/actions" not in {*NOT_IN_FHIR, *NOT_IN_NEMSIS}


def test_a_list_without_a_place_keeps_that_for_its_other_items_and_members() -> None:
    wrist = fhir.restraint(usedCode=[{"text": "soft cloth"}])
    ankle = fhir.restraint(id="r2", bodySite=[fhir.concept(fhir.SNOMED, fhir.LEFT_ANKLE)])
    limbs = fhir.read(fhir.bundle(wrist, ankle, alone=True)).episode.application.limbs
    assert limbs[0].device == "soft_cloth"
    assert limbs[1].device == NOT_COLLECTED
    checked = nemsis.chart(
        eExam=nemsis.el(
            "eExam.AssessmentGroup",
            nemsis.el("eExam.03", nemsis.at("18:05")),
            nemsis.el("eExam.ExtremityGroup", nemsis.el("eExam.15", "3515093"), nemsis.el("eExam.16", "3516061")),
        )
    )
    (check,) = checked.episode.monitoring.limb_checks
    assert (check.pulse, check.motor) == ("present", NOT_COLLECTED)
    assert checked.notices == ()
