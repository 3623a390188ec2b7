"""Mapping files: what is refused at start-up, and where results land."""

from __future__ import annotations

from pathlib import Path

import pytest

from service.episode.absence import MISSING, NOT_COLLECTED
from service.formats.nemsis.mapping import MappingError, Mappings, load_mappings, shipped, shipped_directory
from service.intake.result import Intake
from tests.support.nemsis import (
    at,
    codes,
    definition,
    document,
    el,
    nil,
    pcr,
    procedure,
    read,
    refused,
    result,
    state,
    vital,
)

HEAD = "id: test\ntitle: Test\nsource: test\nmatch: id-and-title\nelements:\n"


def mapping(directory: Path, *elements: str, head: str = HEAD) -> Mappings:
    (directory / "test.yaml").write_text(head + "".join(f"  - {{{e}}}\n" for e in elements), encoding="utf-8")
    return load_mappings(directory)


def chart(mappings: Mappings, config: str, *results: str, **sections: str) -> Intake:
    return read(document(pcr(**sections, eCustomResults=results), config=config), mappings=mappings)


DEFINED = "".join(definition(ident, title) for ident, title in (("X1", "One"), ("X2", "Two"), ("X3", "Three")))


def test_the_shipped_mappings_hold() -> None:
    names = {path.stem for path in shipped_directory().glob("*.yaml")}
    assert names == {"standard-restraint-sample", "few-elements", "every-member"}
    assert len(shipped().elements) > 300


@pytest.mark.parametrize(
    ("element", "said"),
    [
        ("id: X1, title: One", "an element has id, title, into"),
        ("id: X1, title: One, into: /patient/sex, surprise: 1", "an element has id, title, into"),
        ('id: X1, title: "", into: /patient/sex', "id and title are texts"),
        ("id: X1, title: One, into: /patient/hair", "into names no member"),
        ("id: X1, title: One, into: /application/limbs/0/on", "into names no member"),
        ("id: X1, title: One, into: []", "into is a path"),
        ("id: X1, title: One, into: /patient/sex, items: {A: [{}]}", "items make items of a list"),
        (
            "id: X1, title: One, into: /application/limbs, items: {A: [{side: left}]}",
            "an item needs what says which thing it is",
        ),
        (
            "id: X1, title: One, into: /application/limbs, items: {A: [{side: up, site: wrist}]}",
            "side cannot have this value",
        ),
        ("id: X1, title: One, into: /application/limbs, items: {A: {side: left}}", "a list of items"),
        (
            "id: X1, title: One, into: /application/limbs, items: {A: [{side: left, site: wrist}]}, take: {on: eTimes.01}",
            "take:",
        ),
        ("id: X1, title: One, into: /patient/sex, values: {F: woman}", "cannot have a value"),
        ("id: X1, title: One, into: /patient/sex, values: [F]", "theirs and ours"),
        (
            "id: X1, title: One, into: /decision/behaviours/*/words, with: {mood: bad}",
            "a member that the episode does not have",
        ),
        ("id: X1, title: One, into: /patient/sex, pick: best", "pick is one of"),
        ("id: X1, title: One, into: /patient/sex, no_restraint: straps", "no_restraint is a list"),
    ],
)
def test_a_mapping_with_a_fault_stops_the_start(tmp_path: Path, element: str, said: str) -> None:
    with pytest.raises(MappingError) as caught:
        mapping(tmp_path, element)
    assert any(said in line for line in caught.value.lines)
    assert all(line.startswith("test.yaml: ") for line in caught.value.lines)


def test_every_fault_is_told_at_once(tmp_path: Path) -> None:
    with pytest.raises(MappingError) as caught:
        mapping(
            tmp_path,
            "id: X1, title: One, into: /a",
            "id: X2, title: Two, into: /b",
            "id: X3, title: Three, into: /patient/sex",
            "id: X3, title: three, into: /patient/sex",
        )
    assert len(caught.value.lines) == 3
    for text in (
        "id: x\n",
        HEAD.replace("id-and-title", "title") + "  []\n",
        "a: b: c\n",
        HEAD.replace("id: test", "id: Te st") + "  []\n",
    ):
        (tmp_path / "test.yaml").write_text(text, encoding="utf-8")
        with pytest.raises(MappingError):
            load_mappings(tmp_path)
    (tmp_path / "test.yaml").unlink()
    with pytest.raises(MappingError):
        load_mappings(tmp_path)


# ---------------------------------------------------------------- what lands where


def test_any_path_of_any_kind(tmp_path: Path) -> None:
    known = mapping(
        tmp_path,
        "id: X1, title: One, into: /decision/capacity, values: {cannot decide: absent}",
        "id: X2, title: Two, into: /custody/key_at_hand",
        "id: X3, title: Three, into: /handover/told",
    )
    episode = chart(
        known, DEFINED, result("X1", "Cannot  Decide"), result("X2", "9923003"), result("X3", "restraint", "sedation")
    ).episode
    assert (episode.decision.capacity, episode.custody.key_at_hand, episode.handover.told) == (
        "absent",
        True,
        ("restraint", "sedation"),
    )
    assert episode.decision.explained == NOT_COLLECTED


def test_a_path_that_is_mapped_is_collected(tmp_path: Path) -> None:
    """Left blank where there is a place for it is missing, no longer not collected."""
    known = mapping(tmp_path, "id: X1, title: One, into: /stretcher/height")
    with_place, without = chart(known, DEFINED).episode, chart(known, "").episode
    assert with_place.stretcher == MISSING
    assert without.stretcher == NOT_COLLECTED


def test_results_join_the_group_they_name(tmp_path: Path) -> None:
    known = mapping(
        tmp_path,
        "id: X1, title: One, into: /monitoring/vitals/*/agitation_score",
        "id: X2, title: Two, into: /monitoring/vitals/*/agitation_scale",
    )
    sets = vital(el("eVitals.12", "97"), CorrelationID="v1") + vital(
        el("eVitals.12", "96", CorrelationID="spo2"), clock="18:10"
    )
    episode = chart(
        known,
        DEFINED,
        result("X1", "3", of="v1"),
        result("X2", "rass", of="v1"),
        result("X1", "1", of="spo2"),
        result("X2", "rass", of="spo2"),
        eVitals=sets,
    ).episode
    assert [(v.spo2, v.agitation_scale, v.agitation_score) for v in episode.monitoring.vitals] == [
        (97, "rass", 3),
        (96, "rass", 1),
    ]


def test_a_group_of_custom_elements_is_an_item_of_its_own(tmp_path: Path) -> None:
    known = mapping(
        tmp_path,
        "id: X1, title: One, into: /reassessments/*/time",
        "id: X2, title: Two, into: /reassessments/*/decision",
    )
    intake = chart(
        known, DEFINED,
        result("X2", "continue", of="g1"), result("X1", at("18:20"), CorrelationID="g1"),
        result("X1", at("18:40"), CorrelationID="g2"), result("X2", "release", of="g2"),
    )  # fmt: skip
    assert [(r.id, r.decision, r.time.when.isoformat()) for r in intake.episode.reassessments] == [
        ("g1", "continue", at("18:20")),
        ("g2", "release", at("18:40")),
    ]
    assert codes(intake) == []


def test_without_a_correlation(tmp_path: Path) -> None:
    known = mapping(tmp_path, "id: X1, title: One, into: /monitoring/vitals/*/qtc_ms")
    one, two = vital(el("eVitals.12", "97")), vital(el("eVitals.12", "97")) * 2
    assert chart(known, DEFINED, result("X1", "440"), eVitals=one).episode.monitoring.vitals[0].qtc_ms == 440
    unsure = chart(known, DEFINED, result("X1", "440"), eVitals=two)
    assert codes(unsure) == ["no-correlation"]
    dangling = chart(known, DEFINED, result("X1", "440", of="nowhere"), eVitals=one)
    assert codes(dangling) == ["unknown-correlation"]
    assert len(dangling.episode.monitoring.vitals) == 2


def test_a_second_value_for_one_member_is_told(tmp_path: Path) -> None:
    known = mapping(
        tmp_path,
        "id: X1, title: One, into: /decision/behaviours/*/words, with: {behaviour: other}",
        "id: X2, title: Two, into: /narrative",
    )
    intake = chart(
        known,
        DEFINED,
        result("X1", "bit", "spat"),
        result("X1", "kicked"),
        result("X2", "a"),
        result("X2", "b"),
        result("X2", "a"),
    )
    assert [b.words for b in intake.episode.decision.behaviours] == ["bit"]
    assert intake.episode.narrative == "a"
    assert codes(intake) == ["conflict"] * 3


def test_items_by_value_with_members_from_the_extended_group(tmp_path: Path) -> None:
    known = mapping(
        tmp_path,
        "id: X1, title: One, into: /application/limbs, items: {LA: [{side: left, site: wrist}], both: [{side: left, site: ankle}, {side: right, site: ankle}]}, take: {on: eProcedures.01, applied_by: eProcedures.10}",
        "id: X2, title: Two, into: /application/limbs/*/anchor, values: {frame: stretcher_frame}",
    )
    done = procedure("386423001", "18:07", el("eProcedures.10", "9905007"), CorrelationID="pr")
    intake = chart(
        known, DEFINED, result("X2", "frame", of="pr"), result("X1", "LA", "BOTH", "tail", of="pr"), eProcedures=done
    )
    assert [(r.id, r.on.when.isoformat(), r.applied_by, r.anchor) for r in intake.episode.application.limbs] == [
        (ident, at("18:07"), "ems", "stretcher_frame") for ident in ("pr.LA", "pr.BOTH.1", "pr.BOTH.2")
    ]
    assert codes(intake) == ["custom-value-not-mapped"]


def test_of_several_times_the_one_that_is_asked_for(tmp_path: Path) -> None:
    times = [result("X1", at(clock)) for clock in ("18:20", "18:10", "18:30")]
    for pick, clock in (("earliest", "18:10"), ("latest", "18:30")):
        known = mapping(tmp_path, f"id: X1, title: One, into: /application/completed, pick: {pick}")
        assert chart(known, DEFINED, *times).episode.application.completed.when.isoformat() == at(clock)


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (nil("eCustomResults.01", NV="7701003"), "missing"),
        (nil("eCustomResults.01", NV="7701005"), "not_collected"),
        (nil("eCustomResults.01", NV="7701001"), "declined not_indicated"),
        (nil("eCustomResults.01", PN="8801019"), "declined patient_refused"),
        ("state.declined.out_of_scope", "declined out_of_scope"),
        ("state.declined.magic", "recorded"),
        ("51", "not_collected"),
        ("raised", "recorded"),
    ],
)
def test_states_of_a_custom_value(tmp_path: Path, value: str, expected: str) -> None:
    known = mapping(
        tmp_path,
        "id: X1, title: One, into: /narrative"
        if expected == "recorded"
        else "id: X1, title: One, into: /patient/gestation_weeks",
    )
    episode = chart(known, DEFINED, result("X1", value)).episode
    found = (
        episode.narrative
        if expected == "recorded"
        else episode.patient.gestation_weeks
        if not isinstance(episode.patient, type(MISSING))
        else MISSING
    )
    assert state(found) == expected


def test_blank_takes_back_what_the_standard_element_says(tmp_path: Path) -> None:
    known = mapping(tmp_path, "id: X1, title: One, into: /narrative", "id: X2, title: Two, into: /monitoring")
    told = {"eNarrative": el("eNarrative.01", "text"), "eVitals": vital(el("eVitals.12", "97"))}
    blank = nil("eCustomResults.01", NV="7701003")
    episode = chart(known, DEFINED, result("X1", blank), result("X2", blank), **told).episode
    assert (episode.narrative, episode.monitoring) == (MISSING, MISSING)


def test_a_custom_restraint_alone_is_a_restraint(tmp_path: Path) -> None:
    known = mapping(
        tmp_path,
        "id: X1, title: One, into: /application/limbs, items: {LA: [{side: left, site: wrist}]}, no_restraint: [straps]",
    )
    body = document(pcr(restraint=False, eCustomResults=result("X1", "LA")), config=DEFINED)
    assert len(read(body, mappings=known).episode.application.limbs) == 1
    assert refused(body.replace(b">LA<", b">straps<"), mappings=known) == (422, "no-restraint")
    assert refused(body) == (422, "no-restraint")


def test_by_id_alone_where_the_operator_says_so(tmp_path: Path) -> None:
    by_id = mapping(tmp_path, "id: X1, title: One, into: /patient/sex", head=HEAD.replace("id-and-title", "id"))
    assert chart(by_id, definition("X1", "Another title"), result("X1", "male")).episode.patient.sex == "male"
