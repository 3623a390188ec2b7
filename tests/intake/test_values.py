"""Times, ids, words, scores: what is refused with which code, and what is read as what."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.episode import declaration, record
from service.intake import episode_json, fields
from service.intake.result import Intake
from service.problems import MOST_ERRORS, Rejected
from tests.support.episodes import check, clock, dose, encoded, full, limb, places, put, small, vital

CANARY = "canary-7391"


def read(document: Any) -> Intake:
    return episode_json.read(encoded(document))


def slips(document: Any) -> list[tuple[str, str | None]]:
    with pytest.raises(Rejected) as caught:
        read(document)
    assert caught.value.status == 422
    assert CANARY not in f"{caught.value!r} {caught.value.errors!r}"
    return [(e.code, e.pointer) for e in caught.value.errors]


# ---------------------------------------------------------------- times (RFC 3339)


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("2031-04-12T18:02:00", "no-offset"),
        ("2031-04-12T18:02:00.5", "no-offset"),
        ("2031-04-12 18:02:00-06:00", "not-a-time"),
        ("2031-04-12T18:02-06:00", "not-a-time"),
        ("2031-04-12T18:02:00-0600", "not-a-time"),
        ("2031-04-12T18:02:00-06", "not-a-time"),
        ("2031-04-12T18:02:00,5Z", "not-a-time"),
        ("2031-04-12", "not-a-time"),
        ("20310412T180200Z", "not-a-time"),
        ("2031-04-12T180200.0-06:00", "not-a-time"),
        ("2031-04-12T180200,0-06:00", "not-a-time"),
        ("2031-W15-6T18:02:00Z", "not-a-time"),
        ("1933804800", "not-a-time"),
        ("canary-7391", "not-a-time"),
        ("", "not-a-time"),
        ("2031-04-12T18:02:00Z ", "not-a-time"),
        ("2031-04-12T18:02:00Z\n", "not-a-time"),
        ("٢٠٣١-04-12T18:02:00Z", "not-a-time"),
        ("2031-02-29T18:02:00Z", "impossible-time"),
        ("2031-04-31T18:02:00Z", "impossible-time"),
        ("2031-13-01T18:02:00Z", "impossible-time"),
        ("2031-00-10T18:02:00Z", "impossible-time"),
        ("2031-04-12T24:00:00Z", "impossible-time"),
        ("2031-04-12T25:00:00Z", "impossible-time"),
        ("2031-04-12T18:60:00Z", "impossible-time"),
        ("2031-04-12T18:02:61Z", "impossible-time"),
        ("2031-04-12T18:02:00+24:00", "impossible-time"),
        ("2031-04-12T18:02:00-06:99", "impossible-time"),
        ("2031-04-12T18:02:00+00:60", "impossible-time"),
        ("0000-04-12T18:02:00Z", "impossible-time"),
        ("1949-12-31T23:59:59Z", "time-out-of-range"),
        ("2051-01-01T00:00:00Z", "time-out-of-range"),
        ("9999-12-31T23:59:59-23:59", "time-out-of-range"),
    ],
)
def test_time_refused(text: str, code: str) -> None:
    """RFC 3339 section 5.6; the years are the bounds of NEMSIS v3.5.1 (1950 to 2050)."""
    assert slips(small(decision={"time": text})) == [(code, "/decision/time")]


@pytest.mark.parametrize(
    ("text", "instant"),
    [
        # The examples of RFC 3339 section 5.8 that fall in the accepted years.
        ("1985-04-12T23:20:50.52Z", datetime(1985, 4, 12, 23, 20, 50, 520000, UTC)),
        ("1996-12-19T16:39:57-08:00", datetime(1996, 12, 20, 0, 39, 57, tzinfo=UTC)),
        ("2031-04-12t18:02:00z", datetime(2031, 4, 12, 18, 2, tzinfo=UTC)),
        ("2032-02-29T00:00:00+14:00", datetime(2032, 2, 28, 10, 0, tzinfo=UTC)),
        ("2031-04-12T18:02:00.123456789Z", datetime(2031, 4, 12, 18, 2, 0, 123456, tzinfo=UTC)),
        ("2031-04-12T18:02:00-00:00", datetime(2031, 4, 12, 18, 2, tzinfo=UTC)),
    ],
)
def test_time_read(text: str, instant: datetime) -> None:
    decision = read(small(decision={"time": text})).episode.decision
    assert isinstance(decision, record.Decision) and decision.time.when == instant


@given(st.text(max_size=40))
@settings(derandomize=True, max_examples=150, deadline=None)
def test_any_text_as_a_time_is_read_or_refused(text: str) -> None:
    try:
        read(small(decision={"time": text}))
    except Rejected as problem:
        assert [(e.pointer, e.code in fields.DETAILS) for e in problem.errors] == [("/decision/time", True)]


# ---------------------------------------------------------------- ids, words, text


@pytest.mark.parametrize("ident", ["", "a b", "a/b", "é", "x" * 65, "a\n", "canary-7391!"])
def test_id_refused(ident: str) -> None:
    assert slips({"episode_ref": ident}) == [("not-an-id", "/episode_ref")]
    assert slips(small(limbs=[limb(id=ident)])) == [("not-an-id", "/application/limbs/0/id")]


@pytest.mark.parametrize("ident", ["a", "x" * 64, "A.b_c-9", "0"])
def test_id_read(ident: str) -> None:
    assert read({"episode_ref": ident}).episode.episode_ref == ident


def test_ids_are_unique_in_their_list() -> None:
    doubled = [limb(id="x1"), limb("right", id="x1"), limb("right", "ankle"), limb("left", "ankle", id="x1")]
    with pytest.raises(Rejected) as caught:
        read(small(limbs=doubled))
    (slip,) = caught.value.errors
    assert (slip.code, slip.pointer, slip.count) == ("duplicate-id", "/application/limbs/1/id", 2)
    # The same id in two lists, and items without one, are no slip.
    apart = small(
        limbs=[limb(id="x1"), limb("right"), limb("left", "ankle")], monitoring={"limb_checks": [check(1, id="x1")]}
    )
    assert read(apart).episode.episode_ref == "test-1"


def test_words_and_lists_of_words() -> None:
    assert slips(small(patient={"sex": CANARY})) == [("unknown-word", "/patient/sex")]
    assert slips(small(patient={"sex": "Male"})) == [("unknown-word", "/patient/sex")]
    assert slips(small(decision={"danger_to": ["self", CANARY]})) == [("unknown-word", "/decision/danger_to/1")]
    assert slips(small(decision={"danger_to": ["self", "crew", "self"]})) == [
        ("same-word-twice", "/decision/danger_to/2")
    ]
    assert slips(small(decision={"danger_to": ["self", 7]})) == [("not-text", "/decision/danger_to/1")]
    assert slips(small(decision={"danger_to": ["self"] * 4})) == [("too-many-items", "/decision/danger_to")]


def test_text_is_counted_in_code_points() -> None:
    assert read(small(narrative="\U0001f600" * 20_000))
    assert slips(small(narrative="\U0001f600" * 20_001)) == [("too-long", "/narrative")]


def test_negative_dose() -> None:
    for amount in (-5, -0.1, 0):
        assert slips(small(sedation={"doses": [dose(1, amount=amount)]})) == [
            ("out-of-range", "/sedation/doses/0/dose")
        ]


# ---------------------------------------------------------------- scales (RCP etc.: ranges of the published scores)

SCORES = {
    "rass": (-5, 4),  # Sessler 2002
    "sat": (-3, 3),  # Calver 2011
    "amss": (-4, 4),  # Weiss 2002, Martel 2005
    "bars": (1, 7),  # Swift 2002
}


@pytest.mark.parametrize("scale", SCORES)
def test_scores_outside_their_scale(scale: str) -> None:
    low, high = SCORES[scale]
    for score in range(-8, 11):
        document = small(monitoring={"vitals": [vital(1), vital(2, agitation_scale=scale, agitation_score=score)]})
        if low <= score <= high:
            read(document)
        else:
            code = "score-out-of-scale" if -5 <= score <= 7 else "out-of-range"
            assert slips(document) == [(code, "/monitoring/vitals/1/agitation_score")]


@pytest.mark.parametrize(
    ("part", "low", "high"), [("gcs_eye", 1, 4), ("gcs_verbal", 1, 5), ("gcs_motor", 1, 6), ("gcs_total", 3, 15)]
)
def test_glasgow_coma_scale(part: str, low: int, high: int) -> None:
    """Teasdale and Jennett 1974; total as NEMSIS v3.5.1 TotalGCS (3 to 15)."""
    for value in range(-1, 18):
        document = small(monitoring={"vitals": [vital(1, **{part: value})]})
        if low <= value <= high:
            read(document)
        else:
            assert slips(document) == [("out-of-range", f"/monitoring/vitals/0/{part}")]


# ---------------------------------------------------------------- age


@pytest.mark.parametrize(
    ("value", "unit", "kept"),
    [(89, "a", 89), (90, "a", 90), (91, "a", 90), (130, "a", 90), (100, "mo", 100), (120, "d", 120)],
)
def test_age_over_89_counts_as_90(value: int, unit: str, kept: int) -> None:
    patient = read(small(age=None, patient={"age": {"value": value, "unit": unit}})).episode.patient
    assert isinstance(patient, record.Patient) and isinstance(patient.age, record.Age)
    assert patient.age.value == kept


def test_age_needs_both_halves() -> None:
    assert slips(small(age=None, patient={"age": {"value": 40}})) == [("missing-member", "/patient/age")]
    assert slips(small(age=None, patient={"age": {"unit": "a"}})) == [("missing-member", "/patient/age")]


# ---------------------------------------------------------------- how much is reported


def test_slips_that_are_alike_are_told_once_with_a_count() -> None:
    document = small(monitoring={"vitals": [vital(minute, hr=CANARY) for minute in range(240)]})
    with pytest.raises(Rejected) as caught:
        read(document)
    (slip,) = caught.value.errors
    assert (slip.code, slip.pointer, slip.count) == ("not-a-whole-number", "/monitoring/vitals/0/hr", 240)
    assert caught.value.omitted == 0


def test_at_most_fifty_places() -> None:
    document = full()
    wrong = [
        pointer for pointer, _, member in places() if isinstance(member.kind, (declaration.Flag, declaration.Code))
    ]
    assert len(wrong) > MOST_ERRORS == 50
    for pointer in wrong:
        put(document, pointer, 7391)
    with pytest.raises(Rejected) as caught:
        read(document)
    assert len({e.pointer for e in caught.value.errors}) == len(caught.value.errors) == MOST_ERRORS
    assert caught.value.omitted == len(wrong) - MOST_ERRORS


def test_one_slip_in_each_of_several_ways() -> None:
    document = full()
    put(document, "/patient/weight_kg", -1)
    put(document, "/decision/time", clock(0)[:-6])
    put(document, "/monitoring/limb_checks/0/side", "middle")
    assert sorted(slips(document), key=str) == [
        ("no-offset", "/decision/time"),
        ("out-of-range", "/patient/weight_kg"),
        ("unknown-word", "/monitoring/limb_checks/0/side"),
    ]
