"""What a value, a nil, an NV or a PN of the standard means in an episode.

Source: NEMSIS v3.5.1 data dictionary and national Schematron (release
3.5.1.250403CP1): Not Values, Pertinent Negatives, rules e006, e007, e008.
"""

from __future__ import annotations

import pytest

from service.episode.absence import MISSING, NOT_COLLECTED
from service.formats import rxnorm
from service.intake.result import Intake
from tests.support import fhir
from tests.support.nemsis import (
    at,
    chart,
    codes,
    document,
    el,
    medication,
    nil,
    pcr,
    procedure,
    read,
    refused,
    state,
    vital,
)

NA, NR, NRP = "7701001", "7701003", "7701005"
CONTRAINDICATED, DENIED, NOT_PRESENT, ALLERGY, REFUSED, UNABLE, APPROXIMATE = (
    "8801001", "8801003", "8801005", "8801007", "8801019", "8801023", "8801029",
)  # fmt: skip


def vitals(*signs: str) -> Intake:
    return chart(eVitals=vital(el("eVitals.12", "97"), *signs))


def heart_rate(text: str) -> str:
    return el("eVitals.HeartRateGroup", text)


@pytest.mark.parametrize(
    ("attributes", "expected"),
    [
        ({"NV": NR}, "missing"),
        ({}, "missing"),
        ({"NV": NA}, "declined not_indicated"),
        ({"NV": NRP}, "not_collected"),
        ({"PN": REFUSED}, "declined patient_refused"),
        ({"PN": UNABLE}, "declined unable_to_obtain"),
        ({"PN": "8801021"}, "declined unable_to_obtain"),
    ],
)
def test_why_there_is_no_value(attributes: dict[str, str], expected: str) -> None:
    found = vitals(nil("eVitals.14", **attributes)).episode.monitoring.vitals[0]
    assert state(found.rr) == expected
    assert state(found.spo2) == "recorded"


def test_an_element_left_out_is_missing_too() -> None:
    assert vitals().episode.monitoring.vitals[0].rr == MISSING


@pytest.mark.parametrize(
    ("member", "sign"),
    [("hr", heart_rate(nil("eVitals.10", PN=NOT_PRESENT))), ("rr", nil("eVitals.14", PN=NOT_PRESENT))],
)
def test_no_pulse_and_no_breath_are_values(member: str, sign: str) -> None:
    """Exam Finding Not Present in place of a rate: there was none, and that is no missing value."""
    intake = vitals(sign)
    assert getattr(intake.episode.monitoring.vitals[0], member) == 0
    assert codes(intake) == ["read-as-zero"]


def test_no_saturation_reading_is_no_zero() -> None:
    intake = chart(eVitals=vital(el("eVitals.14", "16"), nil("eVitals.12", PN=NOT_PRESENT)))
    assert state(intake.episode.monitoring.vitals[0].spo2) == "declined unable_to_obtain"


def test_approximate_counts_as_it_stands() -> None:
    intake = chart(
        ePatient=el("ePatient.AgeGroup", el("ePatient.15", "40", PN=APPROXIMATE), el("ePatient.16", "2516009"))
    )
    assert intake.episode.patient.age.value == 40
    assert codes(intake) == ["approximate"]


@pytest.mark.parametrize(
    ("attributes", "value", "expected", "notices"),
    [
        ({"ETCO2Type": "3340001"}, "38", 38, []),
        ({"ETCO2Type": "3340005"}, "5", 37.5, []),  # NIST SP 811: 1 kPa = 7.50062 mmHg
        ({"ETCO2Type": "3340003"}, "5.2", "not_collected", ["unusable-unit"]),
        ({}, "38", 38, ["unit-taken-as-mmhg"]),
        ({}, "5", "not_collected", ["unusable-unit"]),
    ],
)
def test_end_tidal_carbon_dioxide(attributes: dict[str, str], value: str, expected: object, notices: list[str]) -> None:
    intake = vitals(el("eVitals.16", value, **attributes))
    found = intake.episode.monitoring.vitals[0].etco2_mmhg
    assert (found if isinstance(found, (int, float)) else state(found)) == expected
    assert codes(intake) == notices


@pytest.mark.parametrize("word", ["High", "Low"])
def test_glucose_beyond_the_meter(word: str) -> None:
    found = vitals(el("eVitals.18", word)).episode.monitoring.vitals[0]
    assert found.glucose_reading == word.lower()
    assert found.glucose_mg_dl == MISSING


@pytest.mark.parametrize("letter", ["P", "p"])
def test_palpated_pressure(letter: str) -> None:
    found = vitals(
        el("eVitals.BloodPressureGroup", el("eVitals.06", "80"), el("eVitals.07", letter))
    ).episode.monitoring.vitals[0]
    assert (found.sbp, found.bp_method, state(found.dbp)) == (80, "palpated", "declined unable_to_obtain")


@pytest.mark.parametrize("text", ["600", "-1", "12.5", "many", "1e3", "٣٣"])
def test_a_value_that_cannot_be_read_is_not_called_missing(text: str) -> None:
    intake = vitals(heart_rate(el("eVitals.10", text)))
    assert intake.episode.monitoring.vitals[0].hr == NOT_COLLECTED
    assert codes(intake) in (["out-of-bounds"], ["unknown-code"])
    assert all(text not in notice.detail for notice in intake.notices)


@pytest.mark.parametrize(
    "text", ["2031-04-12T18:05:00", "2031-04-12", "2031-02-30T18:05:00-06:00", "soon", "2131-04-12T18:05:00-06:00"]
)
def test_a_time_that_cannot_be_read(text: str) -> None:
    intake = chart(eVitals=el("eVitals.VitalGroup", el("eVitals.01", text), el("eVitals.12", "97")))
    assert intake.episode.monitoring.vitals[0].time == NOT_COLLECTED
    assert codes(intake) == ["unusable-time"]


def test_before_this_unit_is_set_apart() -> None:
    sets = [vital(el("eVitals.02", code), el("eVitals.12", "97")) for code in ("9923003", "9923001")] + [
        vital(el("eVitals.12", "97"))
    ]
    assert [v.before_care for v in chart(eVitals=sets).episode.monitoring.vitals] == [True, False, MISSING]


def test_a_group_with_nothing_in_it_is_no_set() -> None:
    empty = vital(nil("eVitals.12", NV=NR), nil("eVitals.14", NV=NR))
    assert len(chart(eVitals=[empty, vital(el("eVitals.12", "97"))]).episode.monitoring.vitals) == 1
    assert chart(eVitals=empty).episode.monitoring == MISSING


# ---------------------------------------------------------------- drugs


def dosage(amount: str = "5", unit: str = "3706021") -> str:
    return el("eMedications.DosageGroup", el("eMedications.05", amount), el("eMedications.06", unit))


@pytest.mark.parametrize(
    ("pn", "reason"),
    [
        (REFUSED, "patient_refused"),
        (CONTRAINDICATED, "contraindicated"),
        (DENIED, "denied_by_order"),
        (ALLERGY, "contraindicated"),
    ],
)
def test_a_drug_with_a_pn_was_not_given(pn: str, reason: str) -> None:
    """Rule e006: a value and a PN together; the amount beside it is no dose."""
    sedation = chart(eMedications=medication(dosage(), pn=pn)).episode.sedation
    assert sedation.doses == ()
    assert [(n.drug, n.reason) for n in sedation.not_given] == [("midazolam", reason)]


def test_a_dose_by_ingredient_route_and_unit() -> None:
    given = medication(
        el("eMedications.04", "9927017"),
        dosage(),
        el("eMedications.08", "3708003"),
        el("eMedications.11", "9918001"),
        CorrelationID="m1",
    )
    dose = chart(eMedications=given).episode.sedation.doses[0]
    assert (dose.id, dose.drug, dose.dose, dose.unit, dose.route) == ("m1", "midazolam", 5.0, "mg", "in")
    assert (dose.adverse_effects, dose.ordered_by) == (("apnoea",), "medical_direction")


def test_none_among_the_complications_says_none() -> None:
    doses = chart(
        eMedications=[medication(el("eMedications.08", code)) for code in ("3708031", "3708033")]
    ).episode.sedation.doses
    assert [d.adverse_effects for d in doses] == [(), ("other",)]


@pytest.mark.parametrize(("unit", "told"), [("3706029", "not_collected"), ("3706039", "recorded")])
def test_units_that_cannot_be_read(unit: str, told: str) -> None:
    intake = chart(eMedications=medication(dosage(unit=unit)))
    assert state(intake.episode.sedation.doses[0].unit) == told
    assert codes(intake) == ([] if told == "recorded" else ["unusable-unit"])


def test_no_drug_given_is_an_answer_and_a_blank_is_none() -> None:
    group = "eMedications.MedicationGroup"
    assert chart(eMedications=el(group, nil("eMedications.03", NV=NA))).episode.sedation.doses == ()
    assert chart(eMedications=el(group, nil("eMedications.03", NV=NR))).episode.sedation == MISSING
    assert chart(eMedications=medication(code="7806")).episode.sedation.doses == ()  # oxygen alone


def test_what_is_done_with_drugs_and_what_is_not_known() -> None:
    intake = chart(eMedications=[medication(code=code) for code in ("7806", "7242", "4850", "1191", "999999")])
    assert [a.action for a in intake.episode.monitoring.actions] == ["oxygen_given", "reversal_given", "dextrose"]
    assert [dose.drug for dose in intake.episode.sedation.doses] == ["other"]
    assert codes(intake) == ["drug-left-aside", "unknown-drug"]


def _both_readers(code: str, done: bool) -> tuple[list[str], list[str]]:
    """Doses or drugs not given, and notices, of one drug: through FHIR and through NEMSIS."""
    xml = chart(eMedications=medication(code=code, pn="" if done else CONTRAINDICATED))
    bundle = fhir.read(fhir.bundle(fhir.drug(code, status="completed" if done else "not-done")))
    found = []
    for intake in (bundle, xml):
        sedation = intake.episode.sedation
        items = getattr(sedation, "doses" if done else "not_given", ())
        listed = [item.drug for item in items] if isinstance(items, tuple) else []
        found.append([*listed, *(n.code for n in intake.notices if "drug" in n.code)])
    return found[0], found[1]


@pytest.mark.parametrize("done", [True, False])
@pytest.mark.parametrize("code", [*(code for code in rxnorm.MEDICATIONS if code not in rxnorm.BLOOD), "999999"])
def test_both_readers_make_the_same_of_a_drug(code: str, done: bool) -> None:
    bundle, xml = _both_readers(code, done)
    assert bundle == xml


def test_an_unknown_drug_takes_no_duty_from_a_stated_restraint() -> None:
    stated = {"eHistory": el("eHistory.01", "3101017"), "eMedications": medication(code="999999")}
    assert read(document(pcr(restraint=False, **stated))).places["/application"].endswith("nem:eHistory.01")


# ---------------------------------------------------------------- procedures, and whether there is a restraint


def test_a_procedure_with_a_pn_was_not_done() -> None:
    """Rule e007."""
    undone = procedure().replace("<eProcedures.03>", f'<eProcedures.03 PN="{REFUSED}">')
    assert refused(document(pcr(eProcedures=undone))) == (422, "no-restraint")


@pytest.mark.parametrize(
    ("sections", "restraint"),
    [
        ({"eProcedures": procedure("386423001")}, True),
        ({"eProcedures": procedure("78086002")}, True),
        ({"eProcedures": procedure("89666000")}, False),
        ({"eHistory": el("eHistory.01", "3101017")}, True),
        ({"eHistory": el("eHistory.01", "3101029")}, False),
        ({"ePayment": el("ePayment.47", "07")}, True),
        ({"eOther": el("eOther.SignatureGroup", el("eOther.15", "4515037"))}, True),
        ({"eProtocols": el("eProtocols.ProtocolGroup", el("eProtocols.01", "9914053"))}, False),
        ({"eMedications": medication()}, False),
        (
            {
                "eMedications": medication(),
                "eProtocols": el("eProtocols.ProtocolGroup", el("eProtocols.01", "9914053")),
            },
            True,
        ),
        ({}, False),
    ],
)
def test_what_says_that_there_was_a_restraint(sections: dict[str, str], restraint: bool) -> None:
    body = document(pcr(restraint=False, **sections))
    if restraint:
        assert read(body).episode.episode_ref
    else:
        assert refused(body) == (422, "no-restraint")


def test_several_applications_start_with_the_first() -> None:
    intake = chart(eProcedures=[procedure(clock="18:20"), procedure(clock="18:04"), procedure(clock="18:30")])
    assert intake.episode.application.started.when.isoformat() == at("18:04")


def test_put_on_by_law_enforcement_is_a_device_of_theirs() -> None:
    custody = chart(eProcedures=procedure("386423001", "18:00", el("eProcedures.10", "9905047"))).episode.custody
    assert custody.law_enforcement_present is True
    assert [(d.device, d.on.when.isoformat()) for d in custody.devices] == [("other", at("18:00"))]
