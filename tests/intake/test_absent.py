"""The four states of a value: recorded, missing, not_collected, declined, and "there was none"."""

from __future__ import annotations

from typing import Any

import pytest

from service.episode import declaration, record
from service.episode.absence import DECLINED_REASONS, MISSING, NOT_COLLECTED, Absent
from service.intake import episode_json
from service.problems import Rejected
from tests.support.episodes import drop, encoded, full, places, put, small, spine

CANARY = "canary-7391"
PLACES = [(pointer, path, member) for pointer, path, member in places()]
OPTIONAL = [p for p in PLACES if not p[2].required]


def at(episode: Any, pointer: str) -> Any:
    """The value in the model that a pointer into the record names."""
    for step in pointer.split("/")[1:]:
        episode = episode[int(step)] if isinstance(episode, tuple) else getattr(episode, step)
    return episode


def slips(document: Any) -> list[tuple[str, str | None]]:
    with pytest.raises(Rejected) as caught:
        episode_json.read(encoded(document))
    assert caught.value.status == 422
    assert CANARY not in f"{caught.value!r} {caught.value.errors!r}"
    return [(e.code, e.pointer) for e in caught.value.errors]


@pytest.mark.parametrize(("pointer", "path", "member"), OPTIONAL, ids=[p[1] for p in OPTIONAL])
def test_absent_in_place_of_every_optional_member(pointer: str, path: str, member: declaration.Member) -> None:
    document = spine(pointer)
    for reason in ("unsafe_to_attempt", "other"):
        put(document, pointer, {"absent": "declined", "reason": reason})
        assert at(episode_json.read(encoded(document)).episode, pointer) == Absent("declined", reason)
    put(document, pointer, {"absent": "not_collected"})
    assert at(episode_json.read(encoded(document)).episode, pointer) == NOT_COLLECTED
    drop(document, pointer)
    assert at(episode_json.read(encoded(document)).episode, pointer) == MISSING
    put(document, pointer, {"absent": "declined", "reason": CANARY})
    assert slips(document) == [("not-an-absence", pointer)]


REQUIRED = [p for p in PLACES if p[2].required]


@pytest.mark.parametrize(("pointer", "path", "member"), REQUIRED, ids=[p[1] for p in REQUIRED])
def test_what_says_which_thing_it_is_cannot_be_absent(pointer: str, path: str, member: declaration.Member) -> None:
    document = spine(pointer)
    for value in ({"absent": "not_collected"}, {"absent": "declined", "reason": "other"}):
        put(document, pointer, value)
        assert [place for _, place in slips(document)] == [pointer]


@pytest.mark.parametrize("reason", DECLINED_REASONS)
def test_every_reason(reason: str) -> None:
    patient = episode_json.read(
        encoded(small(patient={"weight_kg": {"absent": "declined", "reason": reason}}))
    ).episode.patient
    assert isinstance(patient, record.Patient) and patient.weight_kg == Absent("declined", reason)


@pytest.mark.parametrize(
    "value",
    [
        {"absent": "declined"},
        {"absent": "missing"},
        {"absent": "recorded"},
        {"absent": None},
        {"absent": True},
        {"absent": ["declined"]},
        {"absent": {"absent": "not_collected"}},
        {"absent": "declined", "reason": None},
        {"absent": "declined", "reason": ["other"]},
        {"absent": "declined", "reason": "other", "more": CANARY},
        {"absent": "not_collected", "reason": "other"},
        {"absent": "Declined", "reason": "other"},
    ],
)
def test_not_an_absence(value: Any) -> None:
    for pointer in ("/patient/weight_kg", "/patient", "/monitoring/vitals", "/monitoring/vitals/0/hr"):
        document = full()
        put(document, pointer, value)
        assert slips(document) == [("not-an-absence", pointer)]


def test_an_item_of_a_list_cannot_be_absent() -> None:
    document = full()
    put(document, "/monitoring/vitals/0", {"absent": "not_collected"})
    assert slips(document) == [("unknown-member", "/monitoring/vitals/0")]
    document = full()
    put(document, "/patient/conditions", [{"absent": "not_collected"}])
    assert slips(document) == [("not-text", "/patient/conditions/0")]


# ---------------------------------------------------------------- there was none

SECTIONS = {
    m.name: m.kind
    for m in declaration.members(record.Episode)
    if isinstance(m.kind, (declaration.Items, declaration.Part))
}
EMPTY: tuple[Any, ...] = ([], {"none": True})
MAY_BE_NONE = {name for name, kind in SECTIONS.items() if kind.may_be_none}


def test_which_sections_may_be_empty() -> None:
    """Sedation, custody, injuries, reassessments, postures."""
    assert {"sedation", "custody", "injuries", "reassessments", "postures"} == MAY_BE_NONE


@pytest.mark.parametrize("name", sorted(SECTIONS))
def test_none(name: str) -> None:
    for value in EMPTY:
        document = full()
        document[name] = value
        if name in MAY_BE_NONE:
            read = getattr(episode_json.read(encoded(document)).episode, name)
            if isinstance(SECTIONS[name], declaration.Items):
                assert read == ()
            else:
                assert isinstance(read, declaration.Node) and read.at == f"/{name}"
        else:
            assert [place for _, place in slips(document)] == [f"/{name}"]


def test_both_ways_to_say_none_read_alike() -> None:
    for name in MAY_BE_NONE:
        one, other = ({"episode_ref": "e", name: value} for value in EMPTY)
        assert episode_json.read(encoded(one)).episode == episode_json.read(encoded(other)).episode


@pytest.mark.parametrize(
    "value", [{"none": False}, {"none": None}, {"none": 1}, {"none": "true"}, {"none": True, "more": CANARY}]
)
def test_none_stands_alone(value: Any) -> None:
    for name in sorted(MAY_BE_NONE):
        document = full()
        document[name] = value
        assert slips(document) == [("not-none", f"/{name}")]


def test_what_none_of_a_section_says() -> None:
    custody = episode_json.read(encoded({"episode_ref": "e", "custody": []})).episode.custody
    assert isinstance(custody, record.Custody) and isinstance(custody.energy_weapon, record.EnergyWeapon)
    assert custody.law_enforcement_present is False and custody.devices == ()
    assert custody.energy_weapon.used is False
    assert custody.officer == Absent("declined", "not_indicated")


# ---------------------------------------------------------------- not_collected


@pytest.mark.parametrize(("pointer", "path", "member"), PLACES, ids=[p[1] for p in PLACES])
def test_not_collected_path(pointer: str, path: str, member: declaration.Member) -> None:
    """Every path of the model is taken; the value counts when it is sent all the same, with a notice."""
    document = spine(pointer) | {"not_collected": [path]}
    if member.required:
        assert slips(document) == [("unknown-path", "/not_collected/0")]
        return
    intake = episode_json.read(encoded(document))
    assert [(n.code, n.pointer) for n in intake.notices] == [("sent-although-not-collected", pointer)]
    assert intake.episode == episode_json.read(encoded(spine(pointer))).episode
    drop(document, pointer)
    intake = episode_json.read(encoded(document))
    assert intake.notices == () and at(intake.episode, pointer) == NOT_COLLECTED


@pytest.mark.parametrize(
    "path",
    [
        "",
        "/",
        "patient",
        "/patient/",
        "/patients",
        "/Patient",
        "/patient/*",
        "/monitoring/vitals/hr",
        "/monitoring/vitals/0/hr",
        "/monitoring/vitals/*",
        "/monitoring/vitals/*/",
        "/monitoring/*/hr",
        "/*",
        "/patient/sex/x",
        "/not_collected",
        "/accepted",
        "/patient/extensions",
        "/patient/conditions/*",
        "/patient/at",
        "//patient",
        "/patient/" + "x" * 300,
        "/canary-7391",
        None,
        7,
        ["/patient"],
        {"absent": "not_collected"},
    ],
)
def test_wrong_path(path: Any) -> None:
    document = small() | {"not_collected": ["/patient/sex", path, "/patient/weight_kg"]}
    assert slips(document) == [("unknown-path", "/not_collected/1")]


@pytest.mark.parametrize("value", [None, {}, "/patient", 1, True, {"absent": "not_collected"}])
def test_not_collected_is_a_list(value: Any) -> None:
    assert [place for _, place in slips(small() | {"not_collected": value})] == ["/not_collected"]


def test_not_collected_reaches_every_item_and_a_whole_section() -> None:
    document = small(monitoring={"vitals": [{}, {"hr": 80}]}) | {
        "not_collected": ["/monitoring/vitals/*/hr", "/stretcher"]
    }
    intake = episode_json.read(encoded(document))
    assert [at(intake.episode, f"/monitoring/vitals/{n}/hr") for n in (0, 1)] == [NOT_COLLECTED, 80]
    assert intake.episode.stretcher == NOT_COLLECTED
    assert [n.pointer for n in intake.notices] == ["/monitoring/vitals/1/hr"]


def test_a_value_said_to_be_absent_wins_over_the_list() -> None:
    document = small(patient={"weight_kg": {"absent": "declined", "reason": "other"}}) | {
        "not_collected": ["/patient/weight_kg"]
    }
    intake = episode_json.read(encoded(document))
    assert at(intake.episode, "/patient/weight_kg") == Absent("declined", "other") and intake.notices == ()
