"""Charts as crews write them: what a true reader must not deny, one test for each fault that release 0.1.0 had.

Every chart is made here by hand, through the reader and the whole review.
Sources: NEMSIS v3.5.1 data dictionary and defined lists, US Core, UCUM.
"""

from __future__ import annotations

import base64
import json
from typing import Any

import pytest

from service.problems import Rejected
from tests.support import fhir
from tests.support import nemsis as xml
from tests.support.pipeline import pipeline

Document = dict[str, Any]


def _xml(**sections: Any) -> Document:
    return dict(pipeline().review(xml.document(xml.pcr(**sections)), "application/xml", "default").document)


def _fhir(*resources: Any, **more: Any) -> Document:
    body = json.dumps(fhir.bundle(*resources, **more)).encode()
    return dict(pipeline().review(body, "application/fhir+json", "default").document)


def _critical(document: Document) -> set[str]:
    return {f["rule"]["id"] for f in document["findings"] if f["severity"] == "critical"}


def _rules(document: Document) -> set[str]:
    return {f["rule"]["id"] for f in document["findings"]}


_TIMES = xml.el("eTimes.07", xml.at("17:50")) + xml.el("eTimes.12", xml.at("18:40"))
_ADULT = xml.el("ePatient.AgeGroup", xml.el("ePatient.15", "40"), xml.el("ePatient.16", "2516009"))
_LOW = xml.vital(
    xml.el("eVitals.BloodPressureGroup", xml.el("eVitals.06", "88")),
    xml.el("eVitals.12", "86"),
    xml.el("eVitals.14", "8"),
    clock="18:05",
)


def _chart(*done: str, **more: Any) -> Document:
    return _xml(ePatient=_ADULT, eTimes=_TIMES, eVitals=_LOW, eProcedures="".join((xml.procedure(), *done)), **more)


# ---------------------------------------------------------------- fault 1: red cells as oxygen


def test_red_cells_are_no_answer_to_low_oxygen() -> None:
    given = xml.el(
        "eMedications.MedicationGroup",
        xml.el("eMedications.01", xml.at("18:06")),
        xml.el("eMedications.03", "71493000", CodeType="9924005"),
    )
    assert {"RR-1360", "RR-1367"} <= _critical(_chart(eMedications=given))


# ---------------------------------------------------------------- fault 2 and 15: who acted is not told that they did not


@pytest.mark.parametrize("code", ["371908008", "57485005", "7443007", "182692007", "232664002", "425447009"])
def test_oxygen_airway_and_ventilation_by_any_device_answer_low_oxygen(code: str) -> None:
    """Beside an action that was always understood, so that the list of actions counts as charted."""
    later = xml.procedure("230040009", "18:30")
    assert not {"RR-1360", "RR-1367"} & _critical(_chart(xml.procedure(code, "18:06"), later))
    done = {
        "resourceType": "Procedure",
        "status": "completed",
        "code": fhir.concept(fhir.SNOMED, code),
        "performedDateTime": fhir.at("18:06"),
    }
    signs = (fhir.sign("59408-5", 86, "%"), fhir.sign("9279-1", 8, "/min"))
    assert not {"RR-1360", "RR-1367"} & _critical(_fhir(*signs, done))


@pytest.mark.parametrize("drug", ["313002", "1008377", "8163", "3628", "7512", "317361"])
def test_fluid_and_vasopressors_answer_low_pressure_and_are_no_sedatives(drug: str) -> None:
    given = xml.el(
        "eMedications.MedicationGroup",
        xml.el("eMedications.01", xml.at("18:06")),
        xml.el("eMedications.03", drug, CodeType="9924003"),
    )
    chart = _chart(eMedications=given)
    assert "RR-1382" not in _critical(chart)
    assert "RR-1205" not in _rules(chart)
    assert "unknown-drug" not in {n["code"] for n in chart["notices"]}
    assert "RR-1382" in _critical(_chart())


@pytest.mark.parametrize("drug", ["435", "214199", "7213", "237159", "10368", "6585"])
def test_what_widens_the_airways_answers_low_oxygen_and_never_slow_breathing(drug: str) -> None:
    given = xml.el(
        "eMedications.MedicationGroup",
        xml.el("eMedications.01", xml.at("18:06")),
        xml.el("eMedications.03", drug, CodeType="9924003"),
    )
    assert {"RR-1360", "RR-1367"} <= _critical(_chart())
    for chart in (
        _chart(eMedications=given),
        _fhir(
            fhir.sign("59408-5", 86, "%"),
            fhir.sign("9279-1", 8, "/min"),
            {
                "resourceType": "MedicationAdministration",
                "status": "completed",
                "medicationCodeableConcept": fhir.concept(fhir.RXNORM, drug),
                "effectiveDateTime": fhir.at("18:06"),
            },
        ),
    ):
        assert "RR-1360" not in _critical(chart) and "RR-1367" in _critical(chart)


@pytest.mark.parametrize("text", ["Albuterol", "ipratropium", "Terbutaline", "magnesium sulfate"])
def test_they_are_known_by_name_too(text: str) -> None:
    given = {
        "resourceType": "MedicationAdministration",
        "status": "completed",
        "medicationCodeableConcept": {"text": text},
        "effectiveDateTime": fhir.at("18:06"),
    }
    assert "RR-1360" not in _critical(_fhir(fhir.sign("59408-5", 86, "%"), given))


def test_cooling_answers_a_high_temperature() -> None:
    hot = xml.vital(xml.el("eVitals.TemperatureGroup", xml.el("eVitals.24", "40.6")), clock="18:05")
    acted = xml.procedure() + xml.procedure("431774007", "18:07")
    assert "RR-1391" in _critical(_xml(eTimes=_TIMES, eVitals=hot))
    assert "RR-1391" not in _critical(_xml(eTimes=_TIMES, eVitals=hot, eProcedures=acted))


# ---------------------------------------------------------------- fault 3: charting nothing is never better


def test_an_action_that_answers_nothing_asks_no_more_than_none_at_all() -> None:
    assert _critical(_chart(xml.procedure("249366005", "18:06"))) == _critical(_chart())
    assert _critical(_chart(xml.procedure("230040009", "18:30"))) <= _critical(_chart())


def test_one_limb_check_asks_no_more_than_none() -> None:
    check = xml.el(
        "eExam.AssessmentGroup",
        xml.el("eExam.03", xml.at("18:05")),
        xml.el("eExam.ExtremityGroup", xml.el("eExam.15", "3515093"), xml.el("eExam.16", "3516061")),
    )
    assert _rules(_chart(eExam=check)) <= _rules(_chart())
    ankle = fhir.restraint(id="r2", bodySite=[fhir.concept(fhir.SNOMED, fhir.LEFT_ANKLE)])
    pulse = fhir.concept(fhir.SNOMED, "12146004")
    looked = fhir.observation(
        "67533-0", bodySite=fhir.concept(fhir.SNOMED, fhir.LEFT_WRIST), valueCodeableConcept=pulse
    )
    sign = fhir.sign("8867-4", 90, "/min")
    assert _rules(_fhir(ankle, sign, looked)) <= _rules(_fhir(ankle, sign))


# ---------------------------------------------------------------- fault 4: what cannot be read is not "not charted"

_SEDATED = fhir.drug(id="m")


def _unread(document: Document) -> list[str]:
    return [entry["because"][0]["path"] for entry in document["unjudged"] if entry["rule"] is None]


def test_a_saturation_as_a_ratio_is_converted() -> None:
    ratio = fhir.sign("59408-5", 0.86, "1", "18:15")
    assert fhir.episode(ratio)["monitoring"]["vitals"][0]["spo2"] == 86
    document = _fhir(_SEDATED, ratio)
    assert "RR-1331" not in _rules(document)
    assert "RR-1360" in _critical(document)


@pytest.mark.parametrize(
    ("sign", "rule", "path"),
    [
        (fhir.observation("59408-5", "18:15", valueQuantity={"value": 86}), "RR-1331", "spo2"),
        (fhir.sign("8310-5", 98.6, "Cel", "18:15"), "RR-1011", "temperature_c"),
        (fhir.sign("19889-5", 5.1, "%", "18:15"), "RR-1332", "etco2_mmhg"),
        (fhir.sign("8867-4", 5000, "/min", "18:15"), "", "hr"),
    ],
)
def test_a_sign_that_cannot_be_read_is_told_and_never_missing(sign: Any, rule: str, path: str) -> None:
    document = _fhir(_SEDATED, sign)
    assert rule not in _rules(document)
    assert _unread(document) == [f"/monitoring/vitals/*/{path}"]
    (entry,) = [each for each in document["unjudged"] if each["rule"] is None]
    assert entry["severity"] == "warning"
    assert "18:15" in entry["message"]
    assert entry["instances"][0]["pointers"][0]["fhirpath"].startswith("Bundle.entry[2].resource.value")


def test_end_tidal_values_in_percent_and_one_set_without() -> None:
    sets = xml.vital(
        xml.el("eVitals.16", "5", ETCO2Type="3340003"), xml.el("eVitals.10", "90"), clock="18:15"
    ) + xml.vital(xml.el("eVitals.HeartRateGroup", xml.el("eVitals.10", "88")), clock="18:20")
    document = _xml(eTimes=_TIMES, eVitals=sets, eMedications=xml.medication())
    assert "RR-1332" not in _rules(document)
    assert _unread(document) == ["/monitoring/vitals/*/etco2_mmhg"]


# ---------------------------------------------------------------- fault 5: a danger that cannot be judged has words


def test_a_card_for_each_critical_danger_that_stays_unjudged_has_value_time_and_place() -> None:
    document = _xml(ePatient="", eTimes=_TIMES, eVitals=_LOW)
    told = [entry for entry in document["unjudged"] if "tell_now" in entry and entry["instances"]]
    assert told
    for entry in told:
        assert "88 mmHg" in entry["tell_now"]
        assert "18:05" in entry["tell_now"]
        assert entry["instances"][0]["pointers"][0]["xpath"].endswith("eVitals.06")


# ---------------------------------------------------------------- fault 6: from before this unit's care; more LOINC


@pytest.mark.parametrize("code", ["8310-5", "8331-1", "8328-7", "8332-5"])
def test_a_temperature_by_any_site_is_one(code: str) -> None:
    taken = fhir.episode(fhir.sign(code, 98.6, "[degF]"))["monitoring"]["vitals"][0]
    assert taken["temperature_c"] == pytest.approx(37.0)


def test_values_from_before_this_units_care_are_charted() -> None:
    contact = fhir.observation("69474-5", None, valueDateTime=fhir.at("17:55"))
    before = (fhir.sign("8310-5", 36.8, "Cel", "17:40"), fhir.sign("2339-0", 110, "mg/dL", "17:40"))
    ours = fhir.sign("8867-4", 90, "/min")
    assert not {"RR-1010", "RR-1011"} & _rules(_fhir(contact, *before, ours))
    assert "RR-1010" in _rules(_fhir(contact, ours))


# ---------------------------------------------------------------- fault 7: complications, responses, symptoms


def test_a_complication_is_an_event_too_where_it_is_a_danger() -> None:
    harmed = xml.procedure("386423001", "18:00", xml.el("eProcedures.07", "3907039"))
    episode = xml.chart(eProcedures=harmed).episode
    assert [c.complication for c in episode.injuries.complications] == ["other"]
    assert [e.event for e in episode.monitoring.events] == ["breathing_complaint"]


def test_worse_after_it_is_told() -> None:
    worse = xml.procedure("386423001", "18:00", xml.el("eProcedures.08", "9916005"))
    assert [c.complication for c in xml.chart(eProcedures=worse).episode.injuries.complications] == ["other"]
    dose = xml.medication(xml.el("eMedications.07", "9916005"))
    assert xml.chart(eMedications=dose).episode.sedation.doses[0].adverse_effects == ("other",)


def test_what_a_drug_did_that_is_no_dose() -> None:
    given = xml.medication(xml.el("eMedications.08", "3708023"), code="7242")
    assert [c.complication for c in xml.chart(eMedications=given).episode.injuries.complications] == ["hypoxia"]


def test_a_restraint_charted_as_unsuccessful_is_none() -> None:
    failed = xml.procedure("386423001", "18:00", xml.el("eProcedures.06", "9923001"))
    assert xml.refused(xml.document(xml.pcr(eProcedures=failed))) == (422, "no-restraint")
    unsuccessful = fhir.restraint(outcome=fhir.concept(fhir.SNOMED, "385671000"))
    with pytest.raises(Rejected, match="no-restraint"):
        fhir.read(fhir.bundle(unsuccessful, alone=True))


def test_an_action_charted_as_unsuccessful_answers_nothing_and_is_kept() -> None:
    failed = xml.procedure("7443007", "18:06", xml.el("eProcedures.06", "9923001"))
    assert "RR-1360" in _critical(_chart(failed))
    assert [a.action for a in xml.chart(eProcedures=xml.procedure() + failed).episode.monitoring.actions] == ["other"]


def test_symptoms_and_impressions_become_events_conditions_and_behavior() -> None:
    stated = (
        xml.el("eSituation.09", "R06.81")
        + xml.el("eSituation.10", "R45.1")
        + xml.el("eSituation.10", "R11.10", PN="8801031")
        + xml.el("eSituation.11", "F10.929")
        + xml.el("eSituation.12", "J44.1")
    )
    episode = xml.chart(eSituation=stated).episode
    assert [e.event for e in episode.monitoring.events] == ["apnoea"]
    assert [b.behaviour for b in episode.decision.behaviours] == ["other"]
    assert [(s.substance, s.basis) for s in episode.patient.substances] == [("alcohol", "suspected")]
    assert episode.patient.conditions == ("copd",)


def test_a_danger_of_which_nobody_says_when_is_told_and_not_called_this_units() -> None:
    document = _chart(eSituation=xml.el("eSituation.11", "I46.9"))
    assert "RR-1352" not in _rules(document)
    told = [line for line in document["tell_now"] if line["concern"] == "arrest_or_death"]
    assert [line["text"].partition(".")[0] for line in told] == ["Arrest"]
    onset = xml.el("eSituation.01", xml.at("17:30")) + xml.el("eSituation.09", "R56.9")
    (seizure,) = xml.chart(eSituation=onset, eTimes=_TIMES).episode.monitoring.events
    assert (seizure.event, seizure.before_care) == ("seizure", True)


def test_diagnoses_of_a_bundle_by_icd_10_cm() -> None:
    icd = "http://hl7.org/fhir/sid/icd-10-cm"
    category = [fhir.concept("http://terminology.hl7.org/CodeSystem/condition-category", "encounter-diagnosis")]
    conditions = [
        {"resourceType": "Condition", "category": category, "code": fhir.concept(icd, code)}
        for code in ("R56.9", "S06.0X0A", "J44.9")
    ]
    episode = fhir.episode(*conditions)
    assert [event["event"] for event in episode["monitoring"]["events"]] == ["seizure"]
    assert [injury["kind"] for injury in episode["injuries"]["patient"]] == ["head_injury"]
    assert episode["patient"]["conditions"] == ["copd"]


# ---------------------------------------------------------------- fault 10: absent things


def test_what_is_absent_points_at_the_nearest_thing_and_no_other_entry() -> None:
    intake = fhir.read(fhir.bundle(fhir.sign("8867-4", 90, "/min")))
    assert intake.locate("/monitoring/limb_checks") == "Bundle"
    assert xml.chart(eVitals=_LOW).locate("/monitoring/limb_checks").endswith("nem:PatientCareReport")


# ---------------------------------------------------------------- fault 11: versions


def test_what_changes_the_meaning_of_a_resource_is_refused() -> None:
    for extra in ({"implicitRules": "https://rules.example"}, {"modifierExtension": [{"url": "https://x.example"}]}):
        with pytest.raises(Rejected) as caught:
            fhir.read(fhir.bundle(fhir.restraint(**extra), alone=True))
        assert (caught.value.status, caught.value.code) == (422, "unsupported-version")


def test_another_release_of_nemsis_is_refused() -> None:
    place = 'xsi:schemaLocation="http://www.nemsis.org https://x.example/nemsis_v3/{}/XSDs/EMSDataSet_v3.xsd" xmlns='
    body = xml.document()
    old = body.replace(b"xmlns=", place.format("3.4.0.160713CP2").encode(), 1)
    assert xml.refused(old) == (422, "unsupported-version")
    assert xml.read(body.replace(b"xmlns=", place.format("3.5.0.250403CP5").encode(), 1)).episode


def test_a_search_that_has_more_than_it_sends_is_told() -> None:
    part = fhir.bundle() | {"type": "searchset", "total": 999}
    assert "incomplete-searchset" in fhir.codes(fhir.read(part))
    assert "incomplete-searchset" not in fhir.codes(fhir.read(fhir.bundle() | {"total": 1}))


# ---------------------------------------------------------------- fault 15: narratives


def test_narratives_in_documents_are_read() -> None:
    text = base64.b64encode(b"Pt combative. Prone on the floor.").decode()
    note = {
        "resourceType": "DocumentReference",
        "status": "current",
        "content": [{"attachment": {"contentType": "text/plain; charset=utf-8", "data": text}}],
    }
    assert fhir.episode(note)["narrative"] == "Pt combative. Prone on the floor."
    composed = {
        "resourceType": "Composition",
        "section": [
            {
                "code": fhir.concept(fhir.LOINC, "67781-5"),
                "text": {"status": "additional", "div": "<div>Held face down &amp; tied.</div>"},
            }
        ],
    }
    assert fhir.episode(composed)["narrative"] == "Held face down & tied."
