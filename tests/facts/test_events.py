"""Runs of abnormal readings and what followed them: responses, rechecks, oxygen, the EtCO2 baseline.

Response: from the reading to 5 min after it; recheck: within 5 min after the
response (numbers of this project). 60 s for whole minutes come on top.
"""

from __future__ import annotations

from typing import Any

import pytest

from service.facts.fact import Fact
from tests.support.episodes import ZERO, Document, act, clock, dose, facts, limb, one, small, vital

FIVE = 5 + 1  # min, with the minute for rounding
SECOND = 1 / 60


def record(*vitals: Document, actions: list[Document] | None = None, **more: Any) -> Document:
    """Limbs secured at minute 0, so that control is at 0."""
    monitoring = {"vitals": list(vitals), "actions": actions or [], **more.pop("monitoring", {})}
    return small(limbs=[limb(on=0)], handover=more.pop("handover", 60), monitoring=monitoring, **more)


def event(document: Document, key: str = "spo2_low") -> Fact:
    return one(document, "event", key)


def events(document: Document, key: str = "spo2_low") -> list[Fact]:
    return facts(document, "event", key)


def answer(fact: Fact) -> str:
    return "unanswered" if fact.values["unanswered"] else "unrechecked" if fact.values["unrechecked"] else "answered"


# ---------------------------------------------------------------- windows to the second


@pytest.mark.parametrize(
    ("minute", "expected"),
    [
        (10 - SECOND, "unanswered"),
        (10, "answered"),
        (15, "answered"),
        (10 + FIVE, "answered"),
        (10 + FIVE + SECOND, "unanswered"),
        (30, "unanswered"),
    ],
)
def test_window_of_a_response(minute: float, expected: str) -> None:
    document = record(vital(10, spo2=85), vital(minute + 1, spo2=97), actions=[act(minute, "suction")])
    assert answer(event(document)) == expected


@pytest.mark.parametrize(
    ("minute", "expected"),
    [
        (12 - SECOND, "unrechecked"),
        (12, "answered"),
        (12 + FIVE, "answered"),
        (12 + FIVE + SECOND, "unrechecked"),
        (30, "unrechecked"),
    ],
)
def test_window_of_a_recheck(minute: float, expected: str) -> None:
    """Counted from the response, here at minute 12."""
    assert answer(event(record(vital(10, spo2=85), vital(minute, spo2=97), actions=[act(12, "suction")]))) == expected


def test_a_recheck_that_is_still_low_is_a_recheck() -> None:
    document = record(vital(10, spo2=85), vital(13, spo2=86), actions=[act(11, "oxygen_given"), act(14, "ventilated")])
    fact = event(document)
    assert (fact.values["readings"], fact.values["worst"], fact.values["lasted"]) == (2, 85, 180)
    assert (fact.values["answered_worst"], fact.values["unrechecked_worst"]) == (85, 86)
    assert fact.state("unanswered_worst") == "missing" and answer(fact) == "unrechecked"


def test_another_quantity_is_no_recheck() -> None:
    assert (
        answer(event(record(vital(10, spo2=85), vital(13, hr=80, rr=16), actions=[act(11, "oxygen_given")])))
        == "unrechecked"
    )


@pytest.mark.parametrize(
    ("signs", "code", "right", "wrong"),
    [
        ({"spo2": 85}, "spo2_low", "oxygen_given", "fluid"),
        ({"rr": 6}, "rr_low", "ventilated", "cooling"),
        ({"etco2_mmhg": 55}, "etco2_high", "airway_opened", "dextrose"),
        ({"etco2_waveform": "lost"}, "waveform_lost", "stimulated", "loosened"),
        ({"sbp": 80}, "sbp_low", "fluid", "oxygen_given"),
        ({"sbp": 80}, "sbp_low", "vasopressor", "suction"),
        ({"glucose_mg_dl": 50}, "glucose_low", "dextrose", "fluid"),
        ({"glucose_reading": "low"}, "glucose_low", "oral_sugar", "oxygen_given"),
        ({"temperature_c": 40.5}, "temperature_high", "cooling", "warming"),
        ({"temperature_c": 34.0}, "temperature_low", "warming", "cooling"),
        ({"spo2": 85}, "spo2_low", "bronchodilator", "vasopressor"),
        ({"spo2": 85}, "spo2_low", "magnesium", "drug_for_adverse_effect"),
        # Nobody breathes by it: what a sedative does to breathing is not undone.
        ({"rr": 6}, "rr_low", "reversal_given", "bronchodilator"),
        ({"etco2_mmhg": 55}, "etco2_high", "ventilated", "bronchodilator"),
        ({"hr": 30}, "hr_low", "magnesium", "bronchodilator"),
    ],
)
def test_what_counts_as_a_response(signs: dict[str, Any], code: str, right: str, wrong: str) -> None:
    assert event(record(vital(10, **signs), actions=[act(11, right)]), code).values["unanswered"] is False
    assert event(record(vital(10, **signs), actions=[act(11, wrong)]), code).values["unanswered"] is True


def test_turning_or_raising_the_patient_is_a_response() -> None:
    postures = [{"posture": "supine", "start": clock(0)}, {"posture": "left_lateral", "start": clock(11)}]
    assert event(record(vital(10, spo2=85), postures=postures)).values["unanswered"] is False
    # The posture that the patient was in all along answers nothing.
    assert (
        event(record(vital(10, spo2=85), postures=[{"posture": "semi_fowler", "start": clock(11)}])).values[
            "unanswered"
        ]
        is True
    )
    assert event(record(vital(10, spo2=85), postures=list(reversed(postures)))).values["unanswered"] is False


# ---------------------------------------------------------------- oxygen that stands in a set


def test_oxygen_in_a_set_after_a_set_on_air_is_a_response() -> None:
    document = record(
        vital(5, spo2=97, oxygen="air"), vital(10, spo2=85, oxygen="air"), vital(14, spo2=95, oxygen="oxygen")
    )
    assert answer(event(document)) == "answered"
    document = record(vital(5, spo2=97, oxygen="air"), vital(10, spo2=85, oxygen="oxygen"), vital(14, spo2=95))
    assert answer(event(document)) == "answered"


@pytest.mark.parametrize("given", [10, 11, 12])
def test_a_set_that_first_shows_the_oxygen_of_an_action_does_not_answer_its_own_reading(given: float) -> None:
    sets = (vital(10, spo2=88, oxygen="air"), vital(13, spo2=78, oxygen="oxygen"))
    fact = event(record(*sets, actions=[act(given, "oxygen_given")]))
    assert fact.values["unanswered_worst"] == 78 and fact.values["therapy_running"] is True


@pytest.mark.parametrize("before", [[vital(5, spo2=97, oxygen="air"), vital(7, spo2=97, oxygen="oxygen")], []])
@pytest.mark.parametrize(
    ("following", "expected", "judged"),
    [(95, "answered", None), (91, "unanswered", 91), (80, "unanswered", 80), (None, "unanswered", 85)],
)
def test_a_reading_on_oxygen_that_was_on_before(
    before: list[Document], following: int | None, expected: str, judged: int | None
) -> None:
    """It is no new response: the better of the reading and of the next within 5 min is judged, else the reading."""
    sets = [*before, vital(20, spo2=85, oxygen="oxygen")]
    fact = event(record(*sets, *([] if following is None else [vital(24, spo2=following, oxygen="oxygen")])))
    assert answer(fact) == expected
    assert (fact.values["therapy_running"], fact.values.get("unanswered_worst")) == (expected == "unanswered", judged)


def test_the_next_reading_is_late_for_a_therapy_that_goes_on() -> None:
    fact = event(record(vital(10, spo2=85, oxygen="oxygen"), vital(10 + FIVE + SECOND, spo2=97, oxygen="oxygen")))
    assert (answer(fact), fact.values["unanswered_worst"]) == ("unanswered", 85)


@pytest.mark.parametrize(
    ("action", "contradicted"),
    [
        ("oxygen_given", {"oxygen": "air"}),
        ("ventilated", {"acvpu": "alert"}),
        ("airway_device", {"acvpu": "alert"}),
        ("oxygen_given", None),
        ("ventilated", None),
    ],
)
def test_a_therapy_runs_until_an_entry_contradicts_it(action: str, contradicted: dict[str, str] | None) -> None:
    between = [vital(8, hr=90, **(contradicted or {}))]
    fact = event(record(*between, vital(20, spo2=85), vital(22, spo2=97), actions=[act(2, action)]))
    assert answer(fact) == ("answered" if contradicted is None else "unanswered")


def test_a_therapy_ends_with_its_charted_end() -> None:
    taken = act(2, "oxygen_given", end=clock(15))
    assert answer(event(record(vital(20, spo2=85), vital(22, spo2=97), actions=[taken]))) == "unanswered"


def test_more_oxygen_is_a_response() -> None:
    sets = (vital(10, spo2=85, oxygen="oxygen", oxygen_l_min=4), vital(12, spo2=91, oxygen="oxygen", oxygen_l_min=15))
    assert not event(record(*sets)).values["unanswered"]


def test_any_other_action_is_a_moment() -> None:
    fact = event(record(vital(20, sbp=70), vital(22, sbp=110), actions=[act(2, "fluid")]), "sbp_low")
    assert answer(fact) == "unanswered"


@pytest.mark.parametrize(("written", "late"), [(30, False), (45, True)])
def test_an_answer_written_late_says_so(written: float, late: bool) -> None:
    taken = act(11, "oxygen_given", entered=clock(written))
    fact = event(record(vital(10, spo2=85), vital(13, spo2=97), actions=[taken]))
    assert fact.values["answered_late"] is late
    if late:
        assert fact.spans["answered_late"] == (ZERO + 10 * 60, ZERO + 45 * 60)


@pytest.mark.parametrize(
    ("minute", "expected"), [(14 + FIVE, "answered"), (14 + FIVE + SECOND, "unrechecked"), (40, "unrechecked")]
)
def test_a_pressure_under_a_running_bolus_is_looked_at_again_within_the_time(minute: float, expected: str) -> None:
    """The bolus answers the second low pressure too; that nobody measured again for long stays a finding."""
    low = [vital(10, sbp=80), vital(14, sbp=70), vital(minute, sbp=110)]
    fact = event(record(*low, actions=[act(11, "fluid")]), "sbp_low")
    assert answer(fact) == expected


def test_compressions_that_run_answer_the_arrest_that_is_seen_later() -> None:
    sets = [vital(16, hr=0, rhythm="asystole"), vital(20, hr=0, rhythm="pea")]
    fact = event(record(*sets, actions=[act(13, "cpr")]), "arrest")
    assert fact.values["unanswered"] is False
    assert events(record(*sets, actions=[act(13, "cpr")]), "hr_low") == []


def test_one_arrest_is_charted_once() -> None:
    """The event owns the sets that show it, until the heart beats again."""
    told = {"event": "arrest", "time": clock(10)}
    stopped = [vital(12, hr=0), vital(25, hr=0)]
    assert len(events(record(*stopped, monitoring={"events": [told]}), "arrest")) == 1
    again = [vital(12, hr=0), vital(18, hr=80, rhythm="sinus"), vital(25, hr=0)]
    assert len(events(record(*again, monitoring={"events": [told]}), "arrest")) == 2


def test_the_worst_reading_and_its_time_come_first() -> None:
    fact = event(record(vital(10, spo2=88), vital(11, spo2=80), vital(12, spo2=85)))
    for name in ("worst", "unanswered", "unanswered_worst"):
        assert fact.evidence[name][0].pointer == "/monitoring/vitals/1/spo2"
        assert fact.spans[name] == (ZERO + 11 * 60, ZERO + 12 * 60)


def test_a_system_without_a_place_for_actions_cannot_show_a_response() -> None:
    document = record(vital(10, spo2=85)) | {"not_collected": ["/monitoring/actions"]}
    del document["monitoring"]["actions"]
    fact = event(document)
    assert {fact.state(n) for n in ("unanswered", "unanswered_worst", "unrechecked")} == {"not_collected"}
    assert fact.values["worst"] == 85


# ---------------------------------------------------------------- runs


def test_a_normal_reading_ends_a_run() -> None:
    document = record(vital(5, spo2=90), vital(8, spo2=85), vital(10, spo2=97), vital(12, spo2=88))
    assert [(f.values["readings"], f.values["worst"]) for f in events(document)] == [(2, 85), (1, 88)]


def test_a_set_without_the_sign_does_not_end_a_run() -> None:
    fact = event(record(vital(5, spo2=90), vital(8, hr=80), vital(10, spo2=88)))
    assert (fact.values["readings"], fact.values["lasted"]) == (2, 300)


def test_control_splits_a_run() -> None:
    found = events(record(vital(-2, rr=30), vital(-1, rr=32), vital(0, rr=31), vital(4, rr=29)), "rr_high")
    assert [(f.values["at_control"], f.values["worst"], f.values["readings"]) for f in found] == [
        (False, 32, 2),
        (True, 31, 2),
    ]


def test_the_begin_of_care_splits_a_run() -> None:
    document = record(
        vital(-12, spo2=85),
        vital(-11, spo2=86, before_care=False),
        vital(-9, spo2=80, before_care=True),
        vital(-8, spo2=84),
    )
    assert [(f.values["in_care"], f.values["worst"]) for f in events(document)] == [(False, 80), (True, 84)]


def test_two_readings_in_one_minute() -> None:
    found = events(record(vital(5, spo2=85), vital(5, spo2=88), vital(9, spo2=97)))
    assert [(f.values["readings"], f.values["worst"], f.values["lasted"]) for f in found] == [(2, 85, 0)]


@pytest.mark.parametrize(
    ("code", "signs"),
    [
        ("spo2_low", [{"spo2": v} for v in (94, 95)]),
        ("rr_low", [{"rr": v} for v in (11, 12)]),
        ("rr_high", [{"rr": v} for v in (25, 24)]),
        ("etco2_high", [{"etco2_mmhg": v} for v in (45.1, 45)]),
        ("etco2_low", [{"etco2_mmhg": v} for v in (30, 30.1)]),
        ("hr_low", [{"hr": v} for v in (40, 41)]),
        ("temperature_high", [{"temperature_c": v} for v in (38.1, 38.0)]),
        ("temperature_low", [{"temperature_c": v} for v in (35.0, 35.1)]),
        ("glucose_low", [{"glucose_mg_dl": v} for v in (69.9, 70)]),
        ("gcs_low", [{"gcs_total": v} for v in (8, 9)]),
        ("gcs_low", [{"gcs_eye": 2, "gcs_verbal": 2, "gcs_motor": v} for v in (4, 5)]),
        ("oversedation", [{"agitation_scale": "rass", "agitation_score": v} for v in (-4, -3)]),
        ("oversedation", [{"agitation_scale": "bars", "agitation_score": v} for v in (1, 2)]),
        ("reduced_consciousness", [{"acvpu": v} for v in ("pain", "voice")]),
    ],
)
def test_widest_limit_of_a_quantity(code: str, signs: list[dict[str, Any]]) -> None:
    """On the widest published limit there is an event, just inside it there is none."""
    beyond, inside = signs
    assert len(events(record(vital(10, **beyond)), code)) == 1
    assert events(record(vital(10, **inside)), code) == []


# ---------------------------------------------------------------- EtCO2 against its baseline


def test_rise_above_the_last_reading_before_the_sedative() -> None:
    doses = {"doses": [dose(5)]}
    fact = event(
        record(vital(1, etco2_mmhg=30), vital(4, etco2_mmhg=36), vital(10, etco2_mmhg=48), sedation=doses), "etco2_rise"
    )
    assert (fact.values["worst"], fact.values["at_sedated"]) == (120, True)
    assert events(record(vital(4, etco2_mmhg=36.1), vital(10, etco2_mmhg=46), sedation=doses), "etco2_rise") == []
    # A patient settling from fast breathing is recovering: the rise counts only above 45.
    assert events(record(vital(4, etco2_mmhg=28), vital(10, etco2_mmhg=45), sedation=doses), "etco2_rise") == []


def test_rise_without_a_sedative_is_above_the_first_reading_after_control() -> None:
    assert (
        event(record(vital(-5, etco2_mmhg=30), vital(1, etco2_mmhg=38), vital(10, etco2_mmhg=48)), "etco2_rise").values[
            "worst"
        ]
        == 100
    )
    assert (
        events(record(vital(-5, etco2_mmhg=30), vital(1, etco2_mmhg=39), vital(10, etco2_mmhg=48)), "etco2_rise") == []
    )


def test_no_rise_before_the_baseline() -> None:
    """A reading taken before the baseline cannot have risen from it."""
    assert events(record(vital(-5, etco2_mmhg=48), vital(1, etco2_mmhg=37)), "etco2_rise") == []
    sedated = record(
        vital(1, etco2_mmhg=48), vital(4, etco2_mmhg=37), vital(10, etco2_mmhg=38), sedation={"doses": [dose(5)]}
    )
    assert events(sedated, "etco2_rise") == []
