"""Vital signs and limb checks: codes, units, times, reasons why there is no value."""

from __future__ import annotations

from typing import Any

import pytest

from service.formats.fhir import codes as tables
from tests.support.fhir import (
    ABSENT,
    LEFT_WRIST,
    LOINC,
    SNOMED,
    at,
    bundle,
    codes,
    concept,
    observation,
    plain,
    quantity,
    read,
    recorded,
    sign,
)

Resource = dict[str, Any]


def vitals(*resources: Resource) -> list[Resource]:
    return list(recorded(read(bundle(*resources)).episode)["monitoring"]["vitals"])


def noticed(*resources: Resource) -> list[str]:
    return codes(read(bundle(*resources)))


@pytest.mark.parametrize(
    ("code", "value", "unit", "member", "expected"),
    [
        # The freezing and boiling points of water and 98.6 F: NIST SP 811, appendix B.9.
        ("8310-5", 98.6, "[degF]", "temperature_c", 37.0),
        ("8310-5", 104, "[degF]", "temperature_c", 40.0),
        ("8310-5", 310.15, "K", "temperature_c", 37.0),
        ("8310-5", 37.4, "Cel", "temperature_c", 37.4),
        # 1 kPa is 7.50062 mmHg: NIST SP 811, appendix B.9.
        ("19889-5", 5, "kPa", "etco2_mmhg", 37.5031),
        ("19889-5", 38, "mm[Hg]", "etco2_mmhg", 38),
        # 180.156 g/mol: 4.0 mmol/L is 72 mg/dL, the level of hypoglycemia 3.9 is 70 (ADA Standards of Care).
        ("2339-0", 4.0, "mmol/L", "glucose_mg_dl", 72.0624),
        ("15074-8", 3.9, "mmol/L", "glucose_mg_dl", 70.2608),
        ("2339-0", 104, "mg/dL", "glucose_mg_dl", 104),
        ("8867-4", 90, "{beats}/min", "hr", 90),
        ("9279-1", 16.6, "/min", "rr", 17),
        ("8480-6", 16, "kPa", "sbp", 120),
        ("8636-3", 0.44, "s", "qtc_ms", 440),
    ],
)
def test_units_by_ucum(code: str, value: float, unit: str, member: str, expected: float) -> None:
    assert vitals(sign(code, value, unit))[0][member] == expected


def test_the_unit_of_end_tidal_co2_decides_and_a_fraction_cannot_be_converted() -> None:
    """LOINC lists 19889-5 as a fraction; without the air pressure a percentage is no pressure."""
    intake = read(bundle(sign("19889-5", 5, "%")))
    assert intake.episode.monitoring.vitals[0].etco2_mmhg.state == "not_collected"  # type: ignore[union-attr]
    assert "unknown-unit" in codes(intake)


@pytest.mark.parametrize("unit", ["mmHg", "mm Hg", "MMHG"])
def test_units_as_people_write_them(unit: str) -> None:
    value = {"value": 120, "unit": unit}
    assert vitals(observation("8480-6", valueQuantity=value))[0]["sbp"] == 120


def test_readings_of_one_time_are_one_set_whatever_the_offset() -> None:
    readings = [sign("8867-4", 90, "/min"), sign("59408-5", 97, "%"), sign("9279-1", 16, "/min")]
    readings[1]["effectiveDateTime"] = "2031-04-13T00:05:00Z"
    readings[2]["effectiveDateTime"] = "2031-04-12T17:05:00-07:00"
    assert vitals(*readings) == [{"id": "set-20310413T000500Z", "time": at("18:05"), "hr": 90, "spo2": 97, "rr": 16}]


def test_the_id_of_a_set_does_not_depend_on_other_sets() -> None:
    late = sign("8867-4", 90, "/min", "18:20")
    assert vitals(late)[0]["id"] == vitals(sign("8867-4", 80, "/min"), late)[1]["id"]


def test_two_values_of_one_sign_at_one_time_are_both_kept() -> None:
    two = vitals(sign("59408-5", 97, "%"), sign("2708-6", 84, "%"), sign("2708-6", 97, "%"))
    assert [found["spo2"] for found in two] == [97, 84]
    assert len({found["id"] for found in two}) == 2
    assert "conflict" in noticed(sign("59408-5", 97, "%"), sign("2708-6", 84, "%"))


def test_components_and_single_readings_say_the_same() -> None:
    parts = [("8480-6", 138), ("8462-4", 84)]
    panel = observation(
        "85354-9", component=[{"code": concept(LOINC, c), "valueQuantity": quantity(v, "mm[Hg]")} for c, v in parts]
    )
    assert vitals(panel) == vitals(*(sign(c, v, "mm[Hg]") for c, v in parts))


def test_a_panel_lends_its_time_to_its_members() -> None:
    member = observation("8867-4", None, id="m", valueQuantity=quantity(90, "/min"))
    panel = observation("85353-1", hasMember=[{"reference": "Observation/m"}])
    assert vitals(member, panel)[0]["time"] == at("18:05")


def test_a_coma_score_by_number_and_by_answer() -> None:
    """Answers of the LOINC lists as HL7's CDA EMS guide quotes them: LA6556-0 is eye 4, LA6560-2 verbal 4, LA6566-9 motor 5."""
    answers = {"9267-6": ("LA6556-0", 4), "9270-0": ("LA6560-2", 4), "9268-4": ("LA6566-9", 5)}
    parts = [{"code": concept(LOINC, c), "valueCodeableConcept": concept(LOINC, a)} for c, (a, _) in answers.items()]
    total = observation("9269-2", valueQuantity=quantity(13, "{score}"), component=parts)
    found = vitals(total)[0]
    assert (found["gcs_eye"], found["gcs_verbal"], found["gcs_motor"], found["gcs_total"]) == (4, 4, 5, 13)


def test_responsiveness_rhythm_agitation_oxygen() -> None:
    found = vitals(
        observation("67775-7", valueCodeableConcept=concept(LOINC, "LA17107-6")),
        observation("8884-9", valueCodeableConcept={"text": "Sinus tachycardia"}),
        observation("457441000124102", system=SNOMED, valueInteger=-2),
        sign("3151-8", 6, "L/min"),
    )[0]
    assert {k: v for k, v in found.items() if k not in ("id", "time")} == {
        "acvpu": "pain",
        "rhythm": "sinus_tachycardia",
        "agitation_scale": "rass",
        "agitation_score": -2,
        "oxygen": "oxygen",
        "oxygen_l_min": 6,
    }


@pytest.mark.parametrize(("percent", "expected"), [(20.9, "air"), (21, "air"), (22, "oxygen"), (100, "oxygen")])
def test_air_is_not_read_as_oxygen(percent: float, expected: str) -> None:
    """Air holds 20.95 % (NASA, Earth fact sheet). Read as oxygen it would answer a low saturation that nobody answered."""
    assert vitals(sign("3150-6", percent, "%"))[0]["oxygen"] == expected


@pytest.mark.parametrize(("comparator", "reading"), [("<", "low"), (">", "high"), (">=", "high")])
def test_a_meter_beyond_its_range(comparator: str, reading: str) -> None:
    low = observation("2339-0", valueQuantity=quantity(20, "mg/dL", comparator=comparator))
    assert vitals(low)[0]["glucose_reading"] == reading
    assert "glucose_mg_dl" not in vitals(low)[0]


def test_a_saturation_below_what_the_meter_shows_is_not_lost() -> None:
    below = observation("59408-5", valueQuantity=quantity(50, "%", comparator="<"))
    assert vitals(below)[0]["spo2"] == 50
    assert "boundary-value" in noticed(below)


@pytest.mark.parametrize(
    ("reason", "state"),
    [
        ("asked-declined", ("declined", "patient_refused")),
        ("not-applicable", ("declined", "not_indicated")),
        ("error", ("declined", "equipment_failed")),
        ("unsupported", ("not_collected", None)),
        ("masked", ("not_collected", None)),
        ("not-performed", None),
        ("unknown", None),
        ("nonsense", None),
    ],
)
def test_why_there_is_no_value(reason: str, state: tuple[str, str | None] | None) -> None:
    """Codes of http://hl7.org/fhir/R4/valueset-data-absent-reason.html. Not performed gives no reason: that is missing."""
    absent = observation("59408-5", dataAbsentReason=concept(ABSENT, reason))
    intake = read(bundle(sign("8867-4", 90, "/min"), absent))
    (vital,) = plain(intake.episode)["monitoring"]["vitals"]
    assert vital.get("spo2") == state
    if state is None:
        assert {"no-value", "not-performed"} & set(codes(intake))


def test_a_pressure_that_was_not_taken() -> None:
    refused = observation("85354-9", dataAbsentReason=concept(ABSENT, "asked-declined"))
    (vital,) = plain(read(bundle(refused)).episode)["monitoring"]["vitals"]
    assert vital["sbp"] == vital["dbp"] == ("declined", "patient_refused")


@pytest.mark.parametrize("value", [-1, 501, 1e300])
def test_values_outside_their_physical_range_are_left_out_with_a_notice(value: float) -> None:
    intake = read(bundle(sign("59408-5", 97, "%"), sign("8867-4", value, "/min")))
    assert "hr" not in recorded(intake.episode)["monitoring"]["vitals"][0]
    assert {"out-of-bounds", "unknown-value"} & set(codes(intake))


@pytest.mark.parametrize(
    "time", ["2031-04-12", "2031-04-12T18:05:00", "2031-02-30T18:05:00Z", "18:05", 5, "2031-04-12T18:05:00-06:99"]
)
def test_a_time_without_offset_is_no_time(time: Any) -> None:
    reading = sign("8867-4", 90, "/min") | {"effectiveDateTime": time}
    intake = read(bundle(reading))
    assert recorded(intake.episode)["monitoring"]["vitals"] == [{"hr": 90}]
    assert "unusable-time" in codes(intake)


# ---------------------------------------------------------------- limb checks, breathing, posture


def check(*findings: str, **more: Any) -> Resource:
    parts = [{"code": concept(SNOMED, code), "valueBoolean": True} for code in findings]
    return observation("67533-0", bodySite=concept(SNOMED, LEFT_WRIST), component=parts, **more)


def checks(*resources: Resource) -> list[Resource]:
    return list(recorded(read(bundle(*resources)).episode)["monitoring"]["limb_checks"])


def test_a_limb_check() -> None:
    """Findings of the IHE Paramedicine Summary of Care value sets: pulse absent, sensation abnormal, unable to move."""
    found = checks(check("54518005", "247322000", "225601007", id="c"))
    assert found == [
        {
            "id": "c",
            "site": "wrist",
            "side": "left",
            "time": at("18:05"),
            "pulse": "absent",
            "motor": "absent",
            "sensation": "reduced",
        }
    ]


def test_findings_of_one_limb_at_one_time_are_one_check() -> None:
    one = checks(check("12146004"), check("299956006"), check("301999002", effectiveDateTime=at("18:15")))
    assert [(c["time"], sorted(set(c) & {"pulse", "motor", "sensation"})) for c in one] == [
        (at("18:05"), ["pulse", "sensation"]),
        (at("18:15"), ["motor"]),
    ]


def test_a_finding_that_is_denied_says_nothing() -> None:
    denied = check("12146004")
    denied["component"][0]["valueBoolean"] = False
    intake = read(bundle(denied))
    assert "monitoring" not in recorded(intake.episode)
    assert "unknown-value" in codes(intake)


def test_a_check_that_could_not_be_done() -> None:
    refused = check(status="cancelled", dataAbsentReason=concept(ABSENT, "asked-declined"))
    assert checks(refused) == [{"site": "wrist", "side": "left", "time": at("18:05"), "not_done": "patient_refused"}]


def test_breathing_and_posture() -> None:
    breath = observation("80341-1", id="b", valueCodeableConcept=concept(SNOMED, "386616007"))
    prone = observation("8361-8", id="p", valueCodeableConcept=concept(SNOMED, "1240000"))
    episode = recorded(read(bundle(breath, prone)).episode)
    assert episode["monitoring"]["breathing_checks"] == [{"id": "b", "time": at("18:05"), "breathing": "shallow"}]
    assert episode["postures"] == [{"id": "p", "posture": "prone", "start": at("18:05")}]


def test_a_posture_that_is_not_understood_is_neither_there_nor_missing() -> None:
    odd = observation("8361-8", valueCodeableConcept={"text": "on the bench"})
    assert read(bundle(odd)).episode.postures.state == "not_collected"  # type: ignore[union-attr]


def test_every_code_has_a_source_and_one_meaning() -> None:
    found = [t for t in vars(tables).values() if isinstance(t, tables.Table)]
    assert len(found) > 15
    for table in found:
        keys = [(row.system, row.code) for row in table.rows]
        assert len(keys) == len(set(keys))
        assert all(
            row.source in ("read", "from memory") and row.code and row.system.startswith("http") for row in table.rows
        )
