"""One sign, read wrong, changes what is told of the patient: each test names what would be lost or made up."""

from __future__ import annotations

import pytest

from tests.support import fhir
from tests.support import nemsis as xml


@pytest.mark.parametrize(
    ("member", "group", "element"),
    [
        ("hr", "eVitals.HeartRateGroup", "eVitals.10"),
        ("rr", None, "eVitals.14"),
        ("sbp", "eVitals.BloodPressureGroup", "eVitals.06"),
    ],
)
def test_a_sign_that_was_looked_for_and_not_there_is_zero(member: str, group: str | None, element: str) -> None:
    """Else a heart that does not beat is a sign that nobody charted."""
    sign = xml.nil(element, PN="8801005")
    read = xml.chart(eProcedures=xml.procedure(), eVitals=xml.vital(xml.el(group, sign) if group else sign)).episode
    assert fhir.plain(read.monitoring)["vitals"][0][member] == 0


def test_an_amount_without_its_unit_is_told_as_unreadable_and_not_as_not_charted() -> None:
    """Else the crew is asked for a dose that it did chart."""
    read = fhir.read(fhir.bundle(fhir.drug(dosage={"dose": {"value": 5}})))
    assert "no-unit" in fhir.codes(read)
    (dose,) = fhir.plain(read.episode.sedation)["doses"]
    assert dose["dose"] == ("not_collected", None)


def test_barriers_of_which_none_is_one_of_communication_say_that_there_is_none() -> None:
    chart = xml.chart(eProcedures=xml.procedure(), eHistory=xml.el("eHistory.01", "3101001"))
    assert fhir.plain(chart.episode.patient)["communication_need"] == "none"


def test_an_ecg_among_the_procedures_is_watching() -> None:
    """Else a sedated patient on the monitor counts as one without."""
    done = xml.procedure() + xml.procedure("428803005", "18:02")
    (span,) = fhir.plain(xml.chart(eProcedures=done).episode.monitoring)["ecg"]
    assert span["start"] == fhir.at("18:02")


def test_what_is_said_of_an_effect_is_kept() -> None:
    """An effect that does not apply was charted so; "improved" says nothing of how deep the sedation went."""

    def effect(*response: str) -> object:
        given = xml.medication(xml.el("eMedications.01", xml.at("18:06")), *response)
        read = xml.chart(eProcedures=xml.procedure(), eMedications=given).episode
        return fhir.plain(read.sedation)["doses"][0].get("effect")

    assert effect(xml.el("eMedications.07", "9916003")) == "none"
    assert effect(xml.el("eMedications.07", "9916001")) == ("not_collected", None)
    assert effect(xml.nil("eMedications.07", NV="7701001")) == ("declined", "not_indicated")
