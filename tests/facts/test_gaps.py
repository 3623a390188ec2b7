"""The longest time without one kind of watching, while there was a duty to watch."""

from __future__ import annotations

from typing import Any

import pytest

from service.facts.fact import Fact
from tests.support.episodes import Document, clock, dose, limb, one, small, vital


def span(start: float | None, end: float | None = None) -> Document:
    return ({"start": clock(start)} if start is not None else {}) | ({"end": clock(end)} if end is not None else {})


def gap(
    monitor: str,
    *,
    on: float = 0,
    off: float | None = 40,
    handover: float | None = 40,
    sedated: float | None = None,
    **monitoring: Any,
) -> Fact:
    more: dict[str, Any] = {"sedation": {"doses": [dose(sedated)]}} if sedated is not None else {"sedation": []}
    return one(small(limbs=[limb(on=on, off=off)], handover=handover, monitoring=monitoring, **more), "gap", monitor)


def minutes(fact: Fact) -> float:
    value = fact.values["longest_gap"]
    assert isinstance(value, int)
    return value / 60


# ---------------------------------------------------------------- vital signs


@pytest.mark.parametrize(
    ("at", "longest"),
    [
        ([], 40),  # the whole time
        ([10, 20, 30], 10),
        ([0, 14, 20, 33], 14),
        ([15, 25], 15),  # the wait for the first set counts
        ([5, 15], 25),  # and the time after the last one
        ([-5, 20, 45], 20),  # sets outside the restrained time end nothing
        ([33, 5, 20], 15),  # any order
    ],
)
def test_vital_signs_while_restrained(at: list[float], longest: float) -> None:
    fact = gap("vitals", vitals=[vital(m, rr=16, spo2=97) for m in at])
    assert (minutes(fact), fact.values["longest_gap_sure"]) == (longest, longest * 60 - 60)
    assert (fact.values["due"], fact.values["entries_charted"]) == (True, bool(at))


@pytest.mark.parametrize(
    ("signs", "counts"),
    [
        ({}, False),
        ({"acvpu": "alert"}, False),
        ({"hr": 80}, False),
        ({"hr": 80, "sbp": 120}, False),
        ({"rr": 16}, False),
        ({"spo2": 97}, False),
        ({"rr": 16, "spo2": 97}, True),
        ({"etco2_mmhg": 38}, True),
        ({"hr": 0}, True),
        ({"rhythm": "asystole"}, True),
    ],
)
def test_what_counts_as_a_set_of_vital_signs(signs: dict[str, Any], counts: bool) -> None:
    """Rate of breathing with SpO2 or EtCO2; an arrest is one too."""
    sets = [vital(10, rr=16, spo2=97), vital(20, **signs), vital(30, rr=16, spo2=97)]
    assert minutes(gap("vitals", vitals=sets)) == (10 if counts else 20)


@pytest.mark.parametrize(("minute", "counts"), [(4, True), (6, False), (12, False)])
def test_unsafe_to_attempt_counts_before_control_only(minute: float, counts: bool) -> None:
    unsafe = {"absent": "declined", "reason": "unsafe_to_attempt"}
    limbs = [limb(on=0, off=40), limb("right", on=6, off=40)]
    sets = [vital(minute, rr=unsafe, spo2=unsafe), vital(24, rr=16, spo2=97)]
    fact = one(small(limbs=limbs, handover=40, sedation=[], monitoring={"vitals": sets}), "gap", "vitals")
    assert minutes(fact) == (20 if counts else 24)


def test_from_the_sedative_on_another_gap_counts() -> None:
    sets = [vital(m, rr=16, spo2=97) for m in (4, 12, 15, 24, 36)]
    assert minutes(gap("vitals", sedated=10, vitals=sets)) == 6
    after = gap("vitals_sedated", sedated=10, vitals=sets)
    assert (minutes(after), after.values["due"]) == (12, True)
    assert gap("vitals_sedated", vitals=sets).values["due"] is False


def test_sedated_and_not_restrained_is_watched_to_transfer_of_care() -> None:
    document = small(
        application={"limbs": []},
        handover=40,
        sedation={"doses": [dose(10)]},
        monitoring={"vitals": [vital(12, rr=16, spo2=97)]},
    )
    assert minutes(one(document, "gap", "vitals_sedated")) == 28
    assert one(document, "gap", "vitals").values["due"] is False


def test_the_time_between_two_restraints_is_no_gap() -> None:
    limbs = [limb(on=0, off=10), limb(on=25, off=40)]
    document = small(
        limbs=limbs,
        handover=40,
        sedation=[],
        monitoring={"vitals": [vital(5, rr=16, spo2=97), vital(30, rr=16, spo2=97)]},
    )
    assert minutes(one(document, "gap", "vitals")) == 10


# ---------------------------------------------------------------- spans on a monitor, direct observation


@pytest.mark.parametrize("monitor", ["observation", "oximetry"])
@pytest.mark.parametrize(
    ("spans", "longest"),
    [
        ([span(0, 40)], 0),
        ([span(-9, 55)], 0),
        ([span(0, 20), span(20, 40)], 0),
        ([span(0, 20), span(18, 30)], 10),
        ([span(5, 12), span(30, 40)], 18),
        ([span(30, 40), span(5, 12)], 18),
        ([span(10, 3)], 40),
        ([span(3)], 3),  # no end: up to transfer of care
        ([], 40),
    ],
)
def test_holes_in_watching(monitor: str, spans: list[Document], longest: float) -> None:
    watched: dict[str, Any] = {monitor: spans}
    assert minutes(gap(monitor, **watched)) == longest


def test_capnography_and_ecg_are_due_from_the_sedative_on() -> None:
    for monitor in ("capnography", "ecg"):
        watched: dict[str, Any] = {monitor: [span(14, 40)]}
        assert minutes(gap(monitor, sedated=10, **watched)) == 4
    assert gap("ecg", ecg=[]).values["due"] is False
    assert minutes(gap("capnography", capnography=[span(14, 40)])) == 14


def test_a_record_that_is_still_open_knows_only_what_it_was_so_far() -> None:
    fact = gap("vitals", off=None, handover=None, vitals=[vital(5, rr=16, spo2=97), vital(30, rr=16, spo2=97)])
    assert (fact.values["longest_gap"], fact.values["longest_gap_so_far"]) == (1500, 1440)
    assert fact.state("longest_gap_sure") == "missing"


@pytest.mark.parametrize("monitor", ["vitals", "vitals_sedated", "observation", "capnography", "oximetry", "ecg"])
@pytest.mark.parametrize("state", ["missing", "not_collected", "declined"])
def test_no_list(monitor: str, state: str) -> None:
    member = "vitals" if monitor.startswith("vitals") else monitor
    value = {"not_collected": {"absent": "not_collected"}, "declined": {"absent": "declined", "reason": "other"}}.get(
        state
    )
    watched: dict[str, Any] = {member: value} if value else {}
    fact = gap(monitor, sedated=10, **watched)
    assert {fact.state(n) for n in ("entries_charted", "longest_gap", "longest_gap_sure", "longest_gap_so_far")} == {
        state
    }


def test_nothing_to_watch() -> None:
    document = small(application={"limbs": []}, handover=40, sedation=[], monitoring={"vitals": []})
    assert [
        one(document, "gap", m).values["due"] for m in ("vitals", "vitals_sedated", "observation", "oximetry", "ecg")
    ] == [False] * 5


def test_no_set_at_all_after_the_sedative_is_not_a_gap_of_nothing() -> None:
    """Nothing charted after the dose: either the whole time, or not known; 0 min would read as watched throughout."""
    fact = gap("vitals_sedated", sedated=10, vitals=[vital(5, rr=16, spo2=97)])
    assert fact.values.get("longest_gap") != 0
