"""When control was reached, and how things stood at a time: in care, restrained, sedated, in transport, after control.

Control is when the last limb was secured; with no limb device, when
the hold ended or police devices were on; with neither, 10 min after the first
sedative.
"""

from __future__ import annotations

from typing import Any

import pytest

from service.facts.timeline import Timeline
from tests.support.episodes import ZERO, Document, clock, dose, exemplary, facts, limb, one, read, small, vital


def control(document: Document) -> float | None:
    found = Timeline(read(document).episode).control
    return None if found is None else (found - ZERO) / 60


def hold(start: float, end: float | None = None, part: str = "whole_body") -> Document:
    return {"part": part, "start": clock(start)} | ({"end": clock(end)} if end is not None else {})


NO_LIMB: Document = {"limbs": []}
CUFFS = {"device": "handcuffs", "on": clock(-20)}


@pytest.mark.parametrize(
    ("minute", "document"),
    [
        (4, small(limbs=[limb(on=2), limb("right", on=4), limb("left", "ankle", on=3)])),
        (4, small(limbs=[limb(on=4)], sedation={"doses": [dose(1)]}, application={"holds": [hold(0, 9)]})),
        # Taken off and put on again: the first time on counts.
        (2, small(limbs=[limb(on=1, off=5), limb(on=20), limb("right", on=2)])),
        # A device with no time: the charted completion, else unknown.
        (7, small(application={"limbs": [limb(on=None)], "completed": clock(7)})),
        (None, small(limbs=[limb(on=None)], sedation={"doses": [dose(1)]})),
        # Hold only.
        (9, small(application=NO_LIMB | {"holds": [hold(0, 6), hold(2, 9, "head")]}, handover=30)),
        (9, small(application=NO_LIMB | {"holds": [hold(0, 9)]}, sedation={"doses": [dose(1)]}, handover=30)),
        # Police devices only: from contact on.
        (-10, small(application=NO_LIMB, custody={"devices": [CUFFS]}, handover=30)),
        (
            5,
            small(
                application=NO_LIMB, custody={"devices": [CUFFS, {"device": "leg_irons", "on": clock(5)}]}, handover=30
            ),
        ),
        # Sedation only.
        (13, small(application=NO_LIMB, sedation={"doses": [dose(8), dose(3)]}, handover=30)),
        (18, small(application=NO_LIMB, sedation={"doses": [dose(3, "diphenhydramine"), dose(8)]}, handover=30)),
        (None, small(application=NO_LIMB, sedation={"doses": [dose(3, "fentanyl")]}, handover=30)),
        (None, small(application=NO_LIMB, handover=30)),
        # The list of limbs left out: nobody can tell whether a limb was secured.
        (None, small(sedation={"doses": [dose(3)]}, handover=30)),
        (7, small(application={"completed": clock(7)}, sedation={"doses": [dose(3)]}, handover=30)),
    ],
)
def test_control(minute: float | None, document: Document) -> None:
    assert control(document) == minute


def stands(minute: float, document: Document, name: str) -> Any:
    """An ``at_`` attribute of an event charted at that minute; its state when it is not known."""
    document["monitoring"] = document.get("monitoring", {}) | {
        "events": [{"event": "struggling", "time": clock(minute)}]
    }
    fact = one(document, "event", "struggling")
    return fact.values.get(name, fact.state(name))


def test_after_control() -> None:
    document = small(application=NO_LIMB, sedation={"doses": [dose(0)]}, handover=30)
    assert stands(9.9, document, "at_control") is False
    assert stands(10, document, "at_control") is True


def test_restrained_is_limbs_holds_and_police_devices() -> None:
    application = {"limbs": [limb(on=10, off=20)], "holds": [hold(5, 8)]}
    document = small(application=application, custody={"devices": [CUFFS | {"off": clock(-5)}]}, handover=30)
    expected = {
        -12: False,
        -10: True,
        -5: True,
        -4: False,
        4.9: False,
        5: True,
        8: True,
        9: False,
        10: True,
        20: True,
        21: False,
    }
    assert {m: stands(m, document, "at_restrained") for m in expected} == expected
    assert one(document, "episode").values["restrained"] == (5 + 3 + 10) * 60


def test_restrained_time_does_not_count_twice() -> None:
    document = small(
        application={"limbs": [limb(on=0, off=20), limb("right", on=5, off=25)], "holds": [hold(-5, 10)]}, handover=30
    )
    assert one(document, "episode").values["restrained"] == 30 * 60


def test_a_hold_with_no_end_is_judged_to_the_last_entry() -> None:
    document = small(application={"holds": [hold(0)]}, monitoring={"vitals": [vital(70, hr=80)]})
    episode = one(document, "episode")
    assert episode.values["restrained_so_far"] == 69 * 60 and episode.state("restrained_sure") == "missing"


def test_in_care() -> None:
    assert [stands(m, small(contact=-10), "at_in_care") for m in (-11, -10, 0)] == [False, True, True]
    assert stands(-11, small(contact=None), "at_in_care") is True


def test_sedated() -> None:
    document = small(sedation={"doses": [dose(3, "diphenhydramine"), dose(8)]})
    assert [stands(m, document, "at_sedated") for m in (4, 7.9, 8, 20)] == [False, False, True, True]
    assert stands(4, document, "at_since_sedative") == "missing" and stands(10, document, "at_since_sedative") == 120
    assert stands(4, small(), "at_sedated") == "missing"
    assert stands(4, small(sedation={"absent": "not_collected"}), "at_sedated") == "not_collected"
    assert stands(4, small(sedation=[]), "at_sedated") is False


def test_in_transport() -> None:
    document = small(transport={"departed": clock(10), "arrived": clock(20)}, handover=25)
    assert [stands(m, document, "at_transport") for m in (10, 11, 19, 20)] == [False, True, True, False]
    assert stands(11, small(), "at_transport") == "missing"


# ---------------------------------------------------------------- what was used


def used(document: Document) -> tuple[Any, ...]:
    fact = one(document, "episode")
    return tuple(
        fact.values.get(n, fact.state(n))
        for n in ("ep_device", "ep_hold", "ep_police_device", "ep_physical", "ep_sedated")
    )


@pytest.mark.parametrize(
    ("document", "expected"),
    [
        (small(limbs=[limb()]), (True, "missing", "missing", True, "missing")),
        (
            small(application={"limbs": [], "holds": [hold(0)]}, custody=[], sedation=[]),
            (False, True, False, True, False),
        ),
        (
            small(application={"limbs": [], "holds": []}, custody={"devices": [CUFFS]}, sedation=[]),
            (False, False, True, True, False),
        ),
        (
            small(application={"limbs": [], "holds": []}, custody=[], sedation={"doses": [dose(1)]}),
            (False, False, False, False, True),
        ),
        (
            small(application={"limbs": [], "holds": []}, sedation={"doses": [dose(1, "fentanyl")]}),
            (False, False, "missing", "missing", False),
        ),
        # A drug that has no code here may be a sedative: it counts as one rather than as none.
        (small(sedation={"doses": [dose(1, "other")]}), ("missing", "missing", "missing", "missing", True)),
        (
            small(application={"absent": "not_collected"}),
            ("not_collected", "not_collected", "missing", "not_collected", "missing"),
        ),
        # Taken off before contact: not restraint in this unit's care.
        (
            small(application={"limbs": [], "holds": []}, custody={"devices": [CUFFS | {"off": clock(-11)}]}),
            (False, False, False, False, "missing"),
        ),
    ],
)
def test_what_was_used(document: Document, expected: tuple[Any, ...]) -> None:
    assert used(document) == expected


def test_every_fact_of_a_record_carries_the_same_shared_values() -> None:
    found = [*facts(exemplary(), "limb"), *facts(exemplary(), "event"), *facts(exemplary(), "dose")]
    shared = [{n: v for n, v in f.values.items() if n.startswith("ep_")} for f in found]
    assert len(found) > 5 and all(s == shared[0] for s in shared) and shared[0]["ep_age_years"] == 34
