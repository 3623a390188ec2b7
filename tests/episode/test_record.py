"""The declaration of the record: one place for type, unit, bounds and words."""

from __future__ import annotations

import re
from typing import Any

import pytest

from service.episode import declaration, record
from service.episode.absence import MISSING, NOT_COLLECTED, Absent
from service.episode.words import SECTIONS
from tests.support.episodes import exemplary, full, places

PLACES = list(places())
CLASSES = sorted(
    {
        cls
        for cls in vars(record).values()
        if isinstance(cls, type) and issubclass(cls, declaration.Node) and cls is not declaration.Node
    },
    key=lambda c: c.__name__,
)


def test_every_class_is_part_of_an_episode() -> None:
    used = {record.Episode} | {
        m.kind.of for _, _, m in PLACES if isinstance(m.kind, (declaration.Items, declaration.Part))
    }
    assert used == set(CLASSES)


@pytest.mark.parametrize("cls", CLASSES)
def test_objects_are_frozen(cls: type) -> None:
    assert cls.__doc__ and cls.__doc__.strip().endswith(".")
    values = {m.name: MISSING for m in declaration.members(cls)}
    node = cls(**values)
    with pytest.raises(AttributeError, match="immutable"):
        setattr(node, declaration.members(cls)[0].name, 1)


@pytest.mark.parametrize(("pointer", "path", "member"), PLACES, ids=[p[1] for p in PLACES])
def test_every_member_says_what_it_is(pointer: str, path: str, member: declaration.Member) -> None:
    spec = member.kind
    assert spec.doc.strip() and spec.doc.rstrip().endswith((".", "?", ")"))
    assert re.fullmatch(r"[a-z][a-z0-9_]*", member.name)
    if isinstance(spec, (declaration.Int, declaration.Num)):
        assert spec.low < spec.high
    if isinstance(spec, (declaration.Code, declaration.Codes)):
        assert len(set(spec.words)) == len(spec.words) > 0
        assert all(re.fullmatch(r"[a-z0-9][a-zA-Z0-9_/-]*", word) for word in spec.words)


def test_units_stand_in_the_names() -> None:
    """Units are fixed by the name. Where the name is silent the unit is the one the trade always means."""
    endings: dict[str, str | tuple[str, ...]] = {
        "kg": "_kg",
        "mm[Hg]": ("_mmhg", "sbp", "dbp"),
        "Cel": "_c",
        "mg/dL": "_mg_dl",
        "mg/mL": "_mg_ml",
        "L/min": "_l_min",
        "s": "_s",
        "ms": "_ms",
        "deg": "_deg",
        "wk": "_weeks",
        "%": "spo2",
        "/min": ("hr", "rr"),
    }
    for _, path, member in PLACES:
        spec = member.kind
        if isinstance(spec, (declaration.Int, declaration.Num)) and spec.unit:
            assert path.endswith(endings[spec.unit]), path


def test_there_is_no_place_for_who_the_patient_is() -> None:
    """No names, birth dates, addresses, telephone numbers."""
    identifying = re.compile(r"name|birth|dob|address|street|phone|mail|ssn|mrn|insurance|photo")
    assert [path for _, path, _ in PLACES if identifying.search(path)] == []


def test_free_text_is_rare_and_bounded() -> None:
    texts = {path: member.kind.longest for _, path, member in PLACES if isinstance(member.kind, declaration.Text)}
    assert texts == {"/decision/behaviours/*/words": 500, "/narrative": 20000, "/chart/amendments/*/path": 200}


def test_every_item_with_a_time_can_say_when_it_was_written() -> None:
    """Any timed item may carry ``entered``: every list item with a time of its own."""
    without = []
    for _, path, member in PLACES:
        if isinstance(member.kind, declaration.Items):
            names = {m.name for m in declaration.members(member.kind.of)}
            if names & {"time", "on", "start"} and "entered" not in names:
                without.append(path)
    assert without == ["/chart/amendments"]


def test_every_item_can_have_an_id() -> None:
    for _, path, member in PLACES:
        if isinstance(member.kind, declaration.Items):
            assert "id" in {m.name for m in declaration.members(member.kind.of)}, path


def holes(cls: type, value: Any, at: str) -> list[str]:
    """Members that an object of the exemplary record leaves out."""
    out = [f"{at}/{m.name}" for m in declaration.members(cls) if m.name not in value]
    for member in declaration.members(cls):
        inner = value.get(member.name)
        if isinstance(member.kind, declaration.Items) and isinstance(inner, list):
            for index, item in enumerate(inner):
                out += holes(member.kind.of, item, f"{at}/{member.name}/{index}")
        elif isinstance(member.kind, declaration.Part) and isinstance(inner, dict) and "absent" not in inner:
            out += holes(member.kind.of, inner, f"{at}/{member.name}")
    return out


def test_the_exemplary_record_has_every_member() -> None:
    assert holes(record.Episode, full(), "") == []
    assert holes(record.Episode, exemplary(), "") == []


def test_absence_is_falsy_and_says_why() -> None:
    assert not MISSING and not NOT_COLLECTED and not Absent("declined", "other")
    assert {MISSING.state, NOT_COLLECTED.state} == {"missing", "not_collected"}
    assert Absent("declined", "other") != Absent("declined", "ruled_out")


def test_sections_are_the_members_in_story_order() -> None:
    assert tuple(m.name for m in declaration.members(record.Episode) if m.name != "episode_ref") == SECTIONS
