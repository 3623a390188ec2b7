"""Members that are not known, members that cannot be left out, and how long lists may be."""

from __future__ import annotations

import difflib
import os
import subprocess
import sys
from typing import Any

import pytest

from service.episode import declaration, record
from service.episode.absence import MISSING
from service.intake import episode_json
from service.problems import ProblemItem, Rejected
from tests.support.episodes import clock, drop, encoded, full, places, put, small

CANARY = "canary-7391"


def refusal(document: Any) -> Rejected:
    with pytest.raises(Rejected) as caught:
        episode_json.read(encoded(document))
    assert caught.value.status == 422
    return caught.value


def only(document: Any) -> ProblemItem:
    errors = refusal(document).errors
    assert len(errors) == 1, errors
    return errors[0]


# ---------------------------------------------------------------- not known

OBJECTS = [("", "", record.Episode)] + [
    (pointer + ("/0" if isinstance(member.kind, declaration.Items) else ""), pattern, member.kind.of)
    for pointer, pattern, member in places()
    if isinstance(member.kind, (declaration.Items, declaration.Part))
]


@pytest.mark.parametrize(("pointer", "pattern", "cls"), OBJECTS, ids=[o[1] or "/" for o in OBJECTS])
def test_unknown_member(pointer: str, pattern: str, cls: type) -> None:
    """Reported at the parent with the nearest known names; the caller's own name is never repeated."""
    known = declaration.members(cls)[0].name
    document = full()
    put(document, f"{pointer}/{CANARY}", CANARY)
    item = only(document)
    assert (item.code, item.pointer) == ("unknown-member", pointer)
    assert CANARY not in repr(item)
    document = full()
    put(document, f"{pointer}/{known}s_x", 1)
    item = only(document)
    assert f"{known}s_x" not in item.detail
    if len(known) > 4:
        assert known in item.detail


def test_several_unknown_members_of_one_object() -> None:
    document = small(patient={"wieght_kg": 80, "sexx": "male"})
    item = only(document)
    assert (item.code, item.pointer, item.count) == ("unknown-member", "/patient", 2)
    assert "Nearest known: sex, weight_kg." in item.detail and "Known here: age, allergies," in item.detail


def test_nearest_names_are_looked_for_where_they_are_shown_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    """A body has room for many thousand names, and each search takes long."""
    looked: list[str] = []
    find = difflib.get_close_matches

    def counting(name: str, known: list[str], n: int, cutoff: float) -> list[str]:
        looked.append(name)
        return find(name, known, n, cutoff)

    monkeypatch.setattr(difflib, "get_close_matches", counting)
    found = refusal(small(patient={f"{name}{number}": 1 for number in range(1000) for name in ("wieght_kg", "sexx")}))
    assert ([e.count for e in found.errors], found.omitted) == ([2000], 0)
    assert looked == [f"{name}{number}" for number in range(10) for name in ("wieght_kg", "sexx")]


def test_a_member_that_is_known_elsewhere_is_sent_home() -> None:
    item = only(small(patient={"spo2": 97}))
    assert "spo2 belongs at /monitoring/vitals/*/spo2." in item.detail


def test_the_unknown_members_of_a_list_are_told_at_its_first_item() -> None:
    item = only(small(monitoring={"vitals": [{"hr": 80}, {"hart_rate": 80, CANARY: 1}, {"hart_rate": 81}]}))
    assert (item.pointer, item.count) == ("/monitoring/vitals/1", 3)
    assert CANARY not in item.detail


def test_a_fhir_document_sent_as_our_own_json_says_how_to_send_it() -> None:
    errors = refusal({"resourceType": "Bundle", "type": "collection", "entry": []}).errors
    assert any(e.code == "unknown-member" and "application/fhir+json" in e.detail for e in errors)


def test_same_refusal_in_every_process() -> None:
    """The same input gives the same answer whatever seed the process hashes text with."""
    program = (
        "from service.intake import episode_json\n"
        "from service.problems import Rejected\n"
        "body = {'episode_ref': 'e', 'patient': dict.fromkeys(['wieght_kg', 'sexx', 'agee', 'alergies', 'pregnat'], 1)}\n"
        "try:\n    episode_json.from_value(body)\n"
        "except Rejected as problem:\n    print([(e.pointer, e.detail) for e in problem.errors])\n"
    )
    answers = {
        subprocess.run(
            [sys.executable, "-c", program],
            env={**os.environ, "PYTHONHASHSEED": seed},
            capture_output=True,
            check=True,
            timeout=60,
        ).stdout
        for seed in ("1", "2", "3")
    }
    assert len(answers) == 1


@pytest.mark.parametrize(
    "name",
    ["_schema", "0", "", "~1", "a/b", "x" * 5000, "é\U0001f600", "none", "absent", "id", "at", "stable", "by_id"],
)
def test_unknown_member_with_an_odd_name(name: str) -> None:
    for at in ("", "/patient", "/monitoring/vitals/0"):
        if name == "id" and at.endswith("0"):
            continue
        document = full()
        document_at: Any = document
        for step in at.split("/")[1:]:
            document_at = document_at[int(step) if step == "0" else step]
        document_at[name] = CANARY
        problem = refusal(document)
        assert all(e.pointer == at for e in problem.errors), problem.errors
        assert CANARY not in repr(problem.errors) and "x" * 50 not in repr(problem.errors)


def test_extensions_may_hold_anything_anywhere() -> None:
    document = full()
    for pointer, _, _ in OBJECTS:
        put(document, f"{pointer}/extensions", {"anything": [1, None, CANARY]})
    with_extensions = episode_json.read(encoded(document))
    assert with_extensions.episode == episode_json.read(encoded(full())).episode
    assert CANARY not in repr(with_extensions)


# ---------------------------------------------------------------- left out


@pytest.mark.parametrize(("pointer", "pattern", "member"), list(places()), ids=[p[1] for p in places()])
def test_left_out(pointer: str, pattern: str, member: declaration.Member) -> None:
    """Only what says which thing an item is may not be left out."""
    document = full()
    drop(document, pointer)
    parent = pointer.rsplit("/", 1)[0]
    if member.required:
        item = only(document)
        assert (item.code, item.pointer) == ("missing-member", parent)
        assert member.name in item.detail
    else:
        episode_json.read(encoded(document))


def test_required_is_what_the_contract_says() -> None:
    """Only episode_ref, and in a list item what says which thing it is. Nothing else."""
    assert sorted(pattern for _, pattern, member in places() if member.required) == [
        "/application/body_weight/*/place",
        "/application/holds/*/part",
        "/application/limbs/*/side",
        "/application/limbs/*/site",
        "/custody/devices/*/device",
        "/custody/face_covers/*/cover",
        "/custody/officer_spans/*/officer",
        "/decision/alternatives/*/measure",
        "/decision/behaviours/*/behaviour",
        "/decision/causes/*/cause",
        "/episode_ref",
        "/injuries/complications/*/complication",
        "/monitoring/actions/*/action",
        "/monitoring/events/*/event",
        "/monitoring/limb_checks/*/side",
        "/monitoring/limb_checks/*/site",
        "/patient/age/unit",
        "/patient/age/value",
        "/patient/substances/*/substance",
        "/postures/*/posture",
        "/sedation/doses/*/drug",
        "/stretcher/belts/*/place",
    ]


def test_the_smallest_episode() -> None:
    episode = episode_json.read(encoded({"episode_ref": "e"})).episode
    for member in declaration.members(record.Episode):
        if member.name != "episode_ref":
            assert getattr(episode, member.name) is MISSING


# ---------------------------------------------------------------- too much

LISTS = [(pointer, member) for pointer, _, member in places() if isinstance(member.kind, declaration.Items)]


@pytest.mark.parametrize(("pointer", "member"), LISTS, ids=[x[0] for x in LISTS])
def test_cap_of_a_list(pointer: str, member: declaration.Member) -> None:
    """2,000 items a list, seen before any field is looked at (the items here are no objects)."""
    document = full()
    put(document, pointer, [0] * 2001)
    problem = refusal(document)
    assert problem.code == "too-many-items"
    assert [(e.code, e.pointer) for e in problem.errors] == [("too-many-items", pointer)]


def test_two_thousand_items_are_taken() -> None:
    document = small(monitoring={"oximetry": [{} for _ in range(2000)]})
    read: Any = episode_json.read(encoded(document)).episode
    assert len(read.monitoring.oximetry) == 2000


def test_cap_of_all_lists_together() -> None:
    """10,000 items in all."""

    def with_items(count: int) -> dict[str, Any]:
        names = ("capnography", "oximetry", "ecg", "observation", "breathing_checks", "vitals")
        sizes = [min(2000, max(0, count - 2000 * n)) for n in range(len(names))]
        return small(monitoring={name: [{} for _ in range(size)] for name, size in zip(names, sizes, strict=True)})

    assert episode_json.read(encoded(with_items(10_000)))
    problem = refusal(with_items(10_001))
    assert problem.code == "too-many-items"
    assert [(e.code, e.pointer) for e in problem.errors] == [("too-many-items-in-all", "")]


def test_items_of_nested_lists_count() -> None:
    people = [{"roles": ["lead"]} for _ in range(2000)]
    document = small(
        team={"members": people},
        decision={"causes": [{"cause": "pain"}] * 2000, "behaviours": [{"behaviour": "bit"}] * 2000},
    )
    document |= {"reassessments": [{"time": clock(1)}] * 2000, "postures": [{"posture": "prone"}] * 2000}
    assert episode_json.read(encoded(document))
    document["chart"] = {"amendments": [{}]}
    assert refusal(document).code == "too-many-items"


@pytest.mark.parametrize("name", ["not_collected", "accepted"])
def test_cap_of_the_lists_beside_the_record(name: str) -> None:
    problem = refusal({"episode_ref": "e", name: [0] * 2001})
    assert [(e.code, e.pointer) for e in problem.errors] == [("too-many-items", f"/{name}")]
