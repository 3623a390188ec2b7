"""An episode written as an EMSDataSet: valid by the published schema, and the same when it is read back.

Source: NEMSIS v3.5.1 schema, release 3.5.1.250403CP1.
"""

from __future__ import annotations

import json
from typing import Any

import pytest

from service.episode import declaration, record
from service.episode.pointers import member_paths
from service.formats.nemsis import read as nemsis_reader
from service.formats.nemsis import xsd
from service.formats.nemsis.mapping import shipped_directory
from service.formats.nemsis.parse import parse
from service.formats.nemsis.parts import key_of, number
from service.formats.nemsis.write import custom_id, full_mapping, title, write
from service.intake import episode_json
from service.review.build import Wanted
from tests.support.episodes import full, places, put
from tests.support.nemsis import RELEASE, codes, read, shared
from tests.support.pipeline import demo, demo_names, pipeline
from tests.support.reviews import instances

#: What the format cannot hold, so that findings would differ: nothing. Left out are what is no part of the record.
LEFT_OUT = ("accepted", "extensions")


def back(episode: dict[str, Any]) -> record.Episode:
    """Written and read back."""
    written = write(episode)
    assert written.left_out == ()
    intake = read(written.document)
    assert codes(intake) == []
    return intake.episode


def same(episode: dict[str, Any]) -> None:
    assert back(episode) == episode_json.from_value(episode).episode


@pytest.mark.parametrize("name", demo_names())
def test_demo_episodes_come_back_as_they_were(name: str) -> None:
    same({key: value for key, value in demo(name).items() if key not in LEFT_OUT})


@pytest.mark.parametrize("name", demo_names())
def test_demo_episodes_have_the_same_findings(name: str) -> None:
    """Fingerprints, severities, messages and outcomes of all rules."""
    episode = {key: value for key, value in demo(name).items() if key not in LEFT_OUT}
    ours = dict(
        pipeline().review(json.dumps(episode).encode(), "application/json", "default", Wanted(accounts=True)).document
    )
    theirs = dict(
        pipeline().review(write(episode).document, "application/xml", "default", Wanted(accounts=True)).document
    )

    def told(document: dict[str, Any]) -> list[tuple[Any, ...]]:
        return sorted(
            (f["rule"]["id"], f["severity"], f["message"], f["fingerprint"], f["acceptable"])
            for f in instances(document)
        )

    assert told(theirs) == told(ours)
    assert {a["rule"]: a["outcome"] for a in theirs["accounts"]} == {a["rule"]: a["outcome"] for a in ours["accounts"]}


@pytest.mark.parametrize("name", ["full", *demo_names()])
def test_valid_by_the_published_schema(name: str) -> None:
    directory = shared(RELEASE)
    xsd.check(parse(write(full() if name == "full" else demo(name)).document), directory)


def test_every_member_comes_back() -> None:
    same(full())


def _set(pointer: str, value: Any) -> dict[str, Any]:
    episode = full()
    put(episode, pointer, value)
    return episode


@pytest.mark.parametrize(
    "absence",
    [
        {"absent": "not_collected"},
        {"absent": "declined", "reason": "unsafe_to_attempt"},
        {"absent": "declined", "reason": "patient_refused"},
        None,
    ],
)
def test_every_state_of_every_member_comes_back(absence: dict[str, str] | None) -> None:
    """All members that may be absent at once: the leaves of every item and section, then the sections one by one."""
    episode = full()
    tops = []
    for pointer, _, member in places():
        if member.required:
            continue
        if isinstance(member.kind, (declaration.Items, declaration.Part)):
            # One state of the two kinds is enough for what holds others.
            if absence is None or absence["absent"] == "not_collected":
                tops.append(pointer)
        elif absence is None:
            _drop(episode, pointer)
        else:
            put(episode, pointer, absence)
    same(episode)
    for pointer in tops:
        changed = full()
        if absence is None:
            _drop(changed, pointer)
        else:
            put(changed, pointer, absence)
        same(changed)


def _drop(episode: dict[str, Any], pointer: str) -> None:
    *path, last = pointer.split("/")[1:]
    here: Any = episode
    for step in path:
        here = here[int(step) if isinstance(here, list) else step]
    here.pop(last, None)


def test_a_check_of_all_limbs_comes_back() -> None:
    for site, side in (("all", "left"), ("all", None)):
        episode = full()
        check = episode["monitoring"]["limb_checks"][0]
        check["site"] = site
        if side is None:
            del check["side"]
        same(episode)


def test_what_is_listed_as_not_collected_and_sent_is_told_at_its_element() -> None:
    """``read`` holds every place of a notice against the document."""
    intake = read(write(full() | {"not_collected": ["/transport/departed"]}).document)
    assert codes(intake) == ["sent-although-not-collected"]


def test_none_and_empty_come_back() -> None:
    for pointer, _, member in places():
        if isinstance(member.kind, (declaration.Items, declaration.Codes)):
            same(_set(pointer, []))
        elif isinstance(member.kind, declaration.Part):
            if member.kind.may_be_none:
                same(_set(pointer, {"none": True}))
            if not any(m.required for m in declaration.members(member.kind.of)):
                same(_set(pointer, {}))
        elif isinstance(member.kind, declaration.Text):
            same(_set(pointer, ""))


@pytest.mark.parametrize(
    ("pointer", "value"),
    [
        ("/narrative", "  two\r\nlines & <tags> \t "),
        ("/narrative", "n" * 20_000),
        ("/monitoring/vitals/0/etco2_mmhg", 38.25),
        ("/monitoring/vitals/0/glucose_mg_dl", 104.5),
        ("/patient/weight_kg", 81.66),
        ("/sedation/doses/0/dose", 0.0001),
        ("/sedation/doses/0/dose", 100000),
        ("/sedation/doses/0/drug", "other"),
        ("/transport/at_patient", "2031-04-12t18:02:00.123456z"),
        ("/handover/time", "2031-04-12T18:02:00-00:00"),
        ("/patient/age", {"value": 3, "unit": "wk"}),
        ("/patient/age", {"value": 0, "unit": "d"}),
        ("/patient/sex", "other"),
        ("/decision/behaviours/0/words", "state.none"),
    ],
)
def test_values_the_standard_elements_cannot_hold_exactly(pointer: str, value: Any) -> None:
    episode = _set(pointer, value)
    same(episode)
    xsd.check(parse(write(episode).document), shared(RELEASE))


def test_items_without_ids_and_with_ids_like_places() -> None:
    episode = full()
    sets = [
        {"time": "2031-04-12T18:00:00-06:00", "hr": 80},
        {"id": "2"},
        {},
        {"id": "vitals-1", "hr": 90},
        {"id": "vitals.2"},
    ]
    episode["monitoring"] = {"vitals": sets, "breathing_checks": [{}, {"breathing": "fast"}]}
    same(episode)
    assert len({key_of("/monitoring/vitals", n, item) for n, item in enumerate(sets)}) == len(sets)


def test_what_the_sender_does_not_collect_comes_back() -> None:
    paths = ["/stretcher/height", "/application/limbs/*/anchor"]
    same({"episode_ref": "x", "application": {"limbs": [{"site": "wrist", "side": "left"}]}, "not_collected": paths})
    same({"episode_ref": "x"})


def test_a_text_that_xml_cannot_hold_is_told() -> None:
    """XML 1.0 (fifth edition), 2.2: no control characters but tab and line ends."""
    written = write(_set("/decision/behaviours/0/words", "a\u000bb"))
    assert written.left_out == ("/decision/behaviours/0/words",)
    assert "/decision/behaviours/0/words" not in read(written.document).places


def test_the_standard_elements_say_what_they_can() -> None:
    """A reader that knows no custom elements finds times, signs, doses and the restraint."""
    document = write(demo("exemplary")).document.replace(b">Restraint record", b">Unknown")
    episode = nemsis_reader.Reader().read(document).episode
    ours = episode_json.from_value(demo("exemplary")).episode
    assert [v.hr for v in episode.monitoring.vitals] == [v.hr for v in ours.monitoring.vitals]
    assert [(d.drug, d.dose, d.route) for d in episode.sedation.doses] == [
        (d.drug, d.dose, d.route) for d in ours.sedation.doses
    ]
    assert len(episode.monitoring.limb_checks) == len(ours.monitoring.limb_checks)
    assert episode.handover.time == ours.handover.time
    assert episode.narrative == ours.narrative


@pytest.mark.parametrize("end", ["Z", "z", ".000Z", ".50Z", "-06:00", "+00:00"])
def test_a_time_stands_once_however_it_is_written(end: str) -> None:
    """In the standard element alone, as long as that holds the same instant."""
    document = write(_set("/transport/departed", f"2031-04-12T18:20:00{end}")).document
    assert document.count(b"RR.transport.departed") == 0


# ---------------------------------------------------------------- the mapping that goes with it


def test_the_mapping_file_is_what_the_writer_says() -> None:
    """Written by full_mapping; write it again when members change."""
    assert (shipped_directory() / "every-member.yaml").read_text(encoding="utf-8") == full_mapping()


def test_ids_and_titles_fit_the_schema_and_differ() -> None:
    """CorrelationID 2 to 255, CustomTitle 2 to 100 characters."""
    paths = [path for path, _ in member_paths()]
    assert len({custom_id(path) for path in paths}) == len({title(path) for path in paths}) == len(paths) > 300
    assert all(2 <= len(custom_id(path)) <= 255 and 2 <= len(title(path)) <= 100 for path in paths)


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (38, "38"),
        (38.0, "38"),
        (37.5, "37.5"),
        (37.55, None),
        (1e-05, None),
        (100, "100"),
        (761, None),
        (True, None),
        ("38", None),
    ],
)
def test_a_number_is_written_exactly_or_not_at_all(value: Any, text: str | None) -> None:
    assert number(value, 1, 0, 760, 4) == text


def test_written_twice_it_is_the_same() -> None:
    episode = json.loads(json.dumps(demo("exemplary")))
    assert write(episode) == write(demo("exemplary"))
