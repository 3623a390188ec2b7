"""Traps of the clock: offsets, daylight saving time, equal times, times out of order, spans without an end."""

from __future__ import annotations

import json
import random
import re
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from service.facts.timeline import Timeline
from service.wording.clock import Clock
from tests.support.episodes import ZERO, Document, check, clock, exemplary, facts, limb, one, read, sheet, small, vital
from tests.support.mutate import mutated


def line(document: Document) -> Timeline:
    return Timeline(read(document).episode)


def shifted(value: Any, hours: int) -> Any:
    """Every time of a record written with another offset; the instants stay."""
    if isinstance(value, dict):
        return {name: shifted(inner, hours) for name, inner in value.items()}
    if isinstance(value, list):
        return [shifted(inner, hours) for inner in value]
    if isinstance(value, str) and value.endswith("-06:00"):
        moved = datetime.fromisoformat(value) + timedelta(hours=hours + 6)
        return moved.replace(tzinfo=None).isoformat() + f"{'-' if hours < 0 else '+'}{abs(hours):02d}:00"
    return value


@pytest.mark.parametrize("hours", [-12, -5, 0, 9, 14])
def test_another_offset_changes_no_fact(hours: int) -> None:
    assert sheet(shifted(exemplary(), hours)) == sheet(exemplary())


def test_two_offsets_in_one_record() -> None:
    """A monitor that writes UTC beside a chart in local time."""
    document = exemplary()
    document["monitoring"] = shifted(document["monitoring"], 0)
    document["sedation"] = shifted(document["sedation"], -5)
    assert sheet(document) == sheet(exemplary())
    limbs = [{"side": "left", "site": "wrist", "on": "2031-04-12T18:00:00-06:00", "off": "2031-04-13T00:20:00Z"}]
    assert one(small(limbs=limbs), "limb").values["restrained"] == 20 * 60


@pytest.mark.parametrize(
    ("on", "off", "minutes"),
    [
        ("2031-11-02T01:50:00-05:00", "2031-11-02T01:20:00-06:00", 30),  # clocks go back at 02:00
        ("2031-03-09T01:50:00-06:00", "2031-03-09T03:20:00-05:00", 30),  # clocks go forward at 02:00
    ],
)
def test_daylight_saving_time_changes_during_restraint(on: str, off: str, minutes: int) -> None:
    """The zone database is the outside check that these offsets are the ones in force."""
    zone = ZoneInfo("America/Chicago")
    for text in (on, off):
        instant = datetime.fromisoformat(text)
        assert instant.astimezone(zone).utcoffset() == instant.utcoffset()
    halfway = (datetime.fromisoformat(on) + timedelta(minutes=10)).isoformat()
    item = {"side": "left", "site": "wrist", "on": on, "off": off}
    document = small(limbs=[item], contact=None, monitoring={"limb_checks": [check(0) | {"time": halfway}]})
    fact = one(document, "limb").values
    assert (fact["restrained"], fact["first_check"], fact["longest_gap"]) == (minutes * 60, 600, 1200)
    assert one(document, "pair", "limb_off_before_on").values["disagrees"] is False


def test_seconds_are_kept_and_parts_of_a_second_dropped() -> None:
    limbs = [
        {"side": "left", "site": "wrist", "on": "2031-04-12T18:00:00.9-06:00", "off": "2031-04-12T18:05:30.1-06:00"}
    ]
    assert one(small(limbs=limbs), "limb").values["restrained"] == 330


# ---------------------------------------------------------------- equal times, order


def test_equal_times() -> None:
    """On, off, check, contact and transfer of care in one minute: no time, no gap, no slip."""
    document = small(
        limbs=[limb(on=5, off=5)],
        contact=5,
        handover=5,
        monitoring={"limb_checks": [check(5)], "vitals": [vital(5, hr=80)]},
    )
    fact = one(document, "limb").values
    assert (fact["restrained"], fact["checks"], fact["first_check"], fact["longest_gap"]) == (0, 1, 0, 0)
    assert all(not f.values["disagrees"] for f in facts(document, "pair"))
    assert one(document, "gap", "vitals").values["due"] is False


def test_two_checks_in_one_minute_are_two_checks() -> None:
    document = small(
        limbs=[limb(on=0, off=20)], handover=20, monitoring={"limb_checks": [check(5), check(5, skin="pale")]}
    )
    fact = one(document, "limb").values
    assert (fact["checks"], fact["first_check"], fact["longest_gap"]) == (2, 300, 900)


def test_order_of_items_does_not_matter() -> None:
    """Checks and vital signs written down in any order give the same gaps."""
    rng = random.Random(3)
    document = exemplary()
    plain = {
        (f.kind, f.key): (f.values, f.states)
        for f in sheet(document).facts
        if f.kind in ("limb", "gap", "episode", "drug")
    }
    for name in ("vitals", "limb_checks", "breathing_checks"):
        rng.shuffle(document["monitoring"][name])
    rng.shuffle(document["team"]["members"])
    rng.shuffle(document["application"]["holds"])
    again = {
        (f.kind, f.key): (f.values, f.states)
        for f in sheet(document).facts
        if f.kind in ("limb", "gap", "episode", "drug")
    }
    assert again == plain


@pytest.mark.parametrize(
    ("kind", "document"),
    [
        ("limb_off_before_on", small(limbs=[limb(on=10, off=5)])),
        ("section_order", small(handover=-30)),
        ("section_order", small(transport={"departed": clock(9), "arrived": clock(8)})),
        ("section_order", small(application={"started": clock(9), "completed": clock(8)})),
        ("section_order", small(chart={"opened": clock(9), "closed": clock(8)})),
        ("span_backwards", small(monitoring={"oximetry": [{"start": clock(9), "end": clock(8)}]})),
        ("span_backwards", small(monitoring={"events": [{"event": "vomiting", "time": clock(9), "end": clock(8)}]})),
        ("span_backwards", small(custody={"devices": [{"device": "handcuffs", "on": clock(9), "off": clock(8)}]})),
        ("span_backwards", small(postures=[{"posture": "supine", "start": clock(9), "end": clock(8)}])),
        ("span_backwards", small(application={"holds": [{"part": "head", "start": clock(9), "end": clock(8)}]})),
        ("outside_contact", small(limbs=[limb(on=-13)])),
        ("outside_contact", small(limbs=[limb(on=33)], handover=30)),
    ],
)
def test_times_out_of_order(kind: str, document: Document) -> None:
    assert [f.values["disagrees"] for f in facts(document, "pair", kind)] == [True]


def test_a_span_that_runs_backwards_counts_for_nothing() -> None:
    document = small(limbs=[limb(on=10, off=5)], handover=30)
    fact = one(document, "limb")
    assert fact.values["restrained"] == 0
    assert line(document).restrained == []


# ---------------------------------------------------------------- no end


def test_open_span_ends_at_transfer_of_care() -> None:
    document = small(
        limbs=[limb(on=0)], handover=30, monitoring={"limb_checks": [check(5)]}, chart={"closed": clock(200)}
    )
    fact = one(document, "limb")
    assert (fact.values["restrained"], fact.values["longest_gap_sure"], fact.values["ended"]) == (1800, 24 * 60, True)


def test_open_span_without_transfer_of_care() -> None:
    """Judged up to the last timed entry; charting times are no entries of what happened."""
    document = small(
        limbs=[limb(on=0)],
        monitoring={"limb_checks": [check(5), check(12)], "vitals": [vital(25, hr=80) | {"entered": clock(90)}]},
        chart={"opened": clock(-20), "closed": clock(200), "amendments": [{"time": clock(300)}]},
    )
    fact = one(document, "limb")
    assert line(document).last == ZERO + 25 * 60
    assert (fact.values["restrained"], fact.values["ended"]) == (25 * 60, False)
    assert (fact.values["longest_gap"], fact.values["longest_gap_so_far"]) == (13 * 60, 12 * 60)
    assert fact.state("longest_gap_sure") == "missing"


def test_an_off_after_transfer_of_care_counts_up_to_it() -> None:
    document = small(limbs=[limb(on=0, off=50)], handover=30)
    assert one(document, "limb").values["restrained"] == 1800
    assert one(document, "limb").values["released_early"] is False


def test_no_time_on_leaves_everything_open() -> None:
    document = small(limbs=[limb(on=None, off=20)], handover=20, monitoring={"limb_checks": [check(5)]})
    fact = one(document, "limb")
    assert fact.values["on_charted"] is False
    assert {
        fact.state(n) for n in ("restrained", "first_check", "longest_gap", "longest_gap_sure", "longest_gap_so_far")
    } == {"missing"}
    assert one(document, "episode").state("restrained") == "missing"


def test_a_record_without_any_time() -> None:
    document: Document = {
        "episode_ref": "e",
        "application": {"limbs": [{"side": "left", "site": "wrist"}], "holds": [{"part": "head"}]},
    }
    document |= {
        "monitoring": {
            "vitals": [{"hr": 80}],
            "limb_checks": [{"side": "left", "site": "wrist"}],
            "events": [{"event": "vomiting"}],
        }
    }
    document |= {
        "sedation": {"doses": [{"drug": "midazolam"}]},
        "postures": [{"posture": "prone"}],
        "custody": {"devices": [{"device": "hobble"}]},
    }
    found = sheet(document).facts
    assert {"limb", "device", "dose", "posture", "event", "gap"} <= {f.kind for f in found}
    assert line(document).last is None and line(document).control is None


@pytest.mark.parametrize("seed", range(60))
def test_the_first_of_all_times_is_the_first_day_that_people_read(seed: int) -> None:
    """Whatever it says: when something happened, was written, was changed, or when the chart was opened."""
    document = mutated({**exemplary(), "chart": CHARTS[seed % len(CHARTS)]}, seed, 8)
    episode = read(document).episode
    assert Clock(episode, Timeline(episode).first).day == Clock(episode).day
    text = json.dumps(document)
    written = [datetime.fromisoformat(one) for one in re.findall(r'"([0-9]{4}-[0-9]{2}-[0-9]{2}T[^"]*)"', text)]
    assert Timeline(episode).first == min(int(time.timestamp()) for time in written)


CHARTS: tuple[Document, ...] = (
    {"opened": "2020-01-01T10:00:00Z"},
    {"closed": "2020-01-02T10:00:00Z"},
    {"amendments": [{"id": "m1", "time": "2020-01-03T10:00:00Z", "path": "/handover/time"}]},
    {},
)
