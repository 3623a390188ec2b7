"""An agency's choices: switched off until a day, lowered, set to another number, and refused where not allowed."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import pytest
import yaml

from service.pipeline import Pipeline
from service.resources import rules_directory
from service.review.build import Wanted
from service.rulebook.load import RulebookError
from service.rulebook.profiles import load_profiles
from tests.support.episodes import Document, encoded
from tests.support.pipeline import demo, pipeline
from tests.support.reviews import instances

#: In the night episode: first limb check late, a full dose with alcohol, 18 min between two limb checks.
LATE, ALCOHOL, GAP = "RR-1305", "RR-1229", "RR-1307"
#: Over 5 min between two sets of vital signs: information, and for measures.
SIGNS = "RR-1322"
SWITCH = {
    "rule": ALCOHOL,
    "reason": "Local protocol gives the full dose.",
    "owner": "medical director",
    "ends": "2031-05-03",
}
BASE = {"profile": "house", "version": 1, "title": "House rules", "notes": ["For tests."]}


def rules_with(tmp_path: Path, *profiles: dict[str, Any]) -> Path:
    """A rulebook of its own with these profiles added."""
    directory = tmp_path / "rules"
    shutil.copytree(rules_directory(), directory)
    for profile in profiles:
        (directory / "profiles" / f"{profile['profile']}.yaml").write_text(
            yaml.safe_dump(profile, sort_keys=False), encoding="utf-8"
        )
    return directory


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Pipeline:
    """Two profiles: one rule off, one lowered, one with another number; and one only counted, one raised."""
    profile = BASE | {
        "off": [SWITCH],
        "severities": {LATE: {"severity": "info", "source": "clark-2025"}},
        "parameters": {GAP: {"max_gap": {"value": 5, "source": "clark-2025"}}},
    }
    counting = BASE | {
        "profile": "counting",
        "measures": {LATE: "Counted for a year."},
        "severities": {SIGNS: {"severity": "warning", "source": "clark-2025"}},
    }
    return Pipeline.build(
        rules_with(tmp_path_factory.mktemp("house"), profile, counting), profiles=["house", "counting"]
    )


def night(closed: str | None = "2031-05-03T04:25:00-06:00") -> Document:
    document = demo("night-two-crew-late-sedation")
    if closed is None:
        del document["chart"]["closed"]
    else:
        document["chart"]["closed"] = closed
    return document


def answer(pipe: Pipeline, document: Document) -> Document:
    return pipe.review(encoded(document), "application/json", "house", Wanted(accounts=True)).document


def found(document: Document) -> set[str]:
    return {finding["rule"]["id"] for finding in document["findings"]}


def notices(document: Document) -> list[str]:
    return [notice["code"] for notice in document["notices"]]


def test_a_rule_switched_off_is_listed_and_not_counted(house: Pipeline) -> None:
    document = answer(house, night())
    assert ALCOHOL not in found(document)
    assert document["off"] == [SWITCH]
    assert document["summary"]["off"] == 1
    assert document["summary"]["rules"] == len(house.rulebook.rules) - 1
    assert ALCOHOL not in {account["rule"] for account in document["accounts"]}
    assert "switch-off-ended" not in notices(document)


@pytest.mark.parametrize(
    ("closed", "off"),
    [
        ("2031-05-03T23:59:00-06:00", True),  # the end date itself, by the record's own day
        ("2031-05-04T00:00:00-06:00", False),
        ("2032-01-01T00:00:00-06:00", False),
        (None, True),  # its last time is 03:41 of the end date
    ],
)
def test_a_switch_off_ends_by_the_record_s_own_time(house: Pipeline, closed: str | None, off: bool) -> None:
    document = answer(house, night(closed))
    assert (ALCOHOL not in found(document)) is off
    assert document["off"] == ([SWITCH] if off else [])
    assert ("switch-off-ended" in notices(document)) is not off


def test_a_record_with_no_time_at_all_keeps_every_rule_on(house: Pipeline) -> None:
    document = answer(house, {"episode_ref": "no-times"})
    assert document["off"] == []
    assert document["summary"]["rules"] == len(house.rulebook.rules)
    assert "switch-off-ended" in notices(document)


def test_a_lowered_severity_and_another_number(house: Pipeline) -> None:
    document, default = (
        answer(house, night()),
        pipeline().review(encoded(night()), "application/json", "default").document,
    )
    assert {f["severity"] for f in document["findings"] if f["rule"]["id"] == LATE} == {"info"}
    assert {f["severity"] for f in default["findings"] if f["rule"]["id"] == LATE} == {"warning"}
    gap = next(f for f in document["findings"] if f["rule"]["id"] == GAP)
    assert gap["parameters"]["max_gap"]["value"] == 5
    assert "5 min" in gap["message"]
    assert document["versions"]["profile"] == "house 1"
    assert document["versions"]["profile_digest"] != default["versions"]["profile_digest"]
    assert document["versions"]["ruleset_digest"] == default["versions"]["ruleset_digest"]


def test_another_profile_changes_no_fingerprint(house: Pipeline) -> None:
    default = pipeline().review(encoded(night()), "application/json", "default").document
    marks = {one["fingerprint"] for one in instances(default) if one["rule"]["id"] not in (ALCOHOL, GAP)}
    assert marks <= {one["fingerprint"] for one in instances(answer(house, night()))}


def test_what_a_profile_only_measures_is_counted_and_never_asked(house: Pipeline) -> None:
    document, default = (
        pipe.review(encoded(night()), "application/json", name, Wanted(accounts=True)).document
        for pipe, name in ((house, "counting"), (pipeline(), "default"))
    )
    assert LATE in found(default)
    assert LATE not in found(document)
    title = house.rulebook.by_key[LATE].title
    assert {"rule": LATE, "title": title, "facts": 4} in document["counted"]
    assert {c["rule"] for c in document["counted"]} - {c["rule"] for c in default["counted"]} == {LATE}
    assert document["summary"]["finding"] == default["summary"]["finding"], "its outcome stays"
    assert document["accounts"] == default["accounts"]
    assert document["off"] == [], "it is counted, not off"


def test_a_measure_that_a_profile_raises_is_asked(house: Pipeline) -> None:
    """More than five minutes between vital signs: for measures by default, raised to a warning it is the author's."""
    default = pipeline().review(encoded(night()), "application/json", "default").document
    assert SIGNS in {entry["rule"] for entry in default["counted"]}
    document = house.review(encoded(night()), "application/json", "counting").document
    (finding,) = [f for f in document["findings"] if f["key"] == SIGNS]
    assert (finding["severity"], finding["handled_by"]) == ("warning", "author")
    assert SIGNS not in {entry["rule"] for entry in document["counted"]}


def locked_rule() -> str:
    return next(rule.id for rule in pipeline().rulebook.rules if rule.locked)


REFUSED: dict[str, dict[str, Any]] = {
    "unknown rule": {"parameters": {"RR-9999": {"max_gap": {"value": 5, "source": "clark-2025"}}}},
    "unknown parameter": {"parameters": {GAP: {"best_gap": {"value": 5, "source": "clark-2025"}}}},
    "too low": {"parameters": {GAP: {"max_gap": {"value": 4, "source": "clark-2025"}}}},
    "too high": {"parameters": {GAP: {"max_gap": {"value": 16, "source": "clark-2025"}}}},
    "a word for a number": {"parameters": {GAP: {"max_gap": {"value": "10", "source": "clark-2025"}}}},
    "true for a number": {"parameters": {GAP: {"max_gap": {"value": True, "source": "clark-2025"}}}},
    "no number": {"parameters": {GAP: {"max_gap": {"value": float("nan"), "source": "clark-2025"}}}},
    "no source": {"parameters": {GAP: {"max_gap": {"value": 10}}}},
    "unknown source": {"parameters": {GAP: {"max_gap": {"value": 10, "source": "hearsay"}}}},
    "a bare number": {"parameters": {GAP: {"max_gap": 10}}},
    "parameters a list": {"parameters": [GAP]},
    "severity of unknown rule": {"severities": {"RR-9999": {"severity": "info"}}},
    "severity not a word": {"severities": {LATE: {"severity": "terrible"}}},
    "severity of locked rule": {"severities": {"LOCKED": {"severity": "info"}}},
    "measures of unknown rule": {"measures": {"RR-9999": "Counted by us."}},
    "measures of a safety rule": {"measures": {ALCOHOL: "Counted by us."}},
    "measures of a critical rule": {"measures": {"RR-1303": "Counted by us."}},
    "measures without reason": {"measures": {LATE: "  "}},
    "measures of locked rule": {"measures": {"LOCKED": "Counted by us."}},
    "off unknown rule": {"off": [SWITCH | {"rule": "RR-9999"}]},
    "off locked rule": {"off": [SWITCH | {"rule": "LOCKED"}]},
    "off without reason": {"off": [{k: v for k, v in SWITCH.items() if k != "reason"}]},
    "off with empty reason": {"off": [SWITCH | {"reason": ""}]},
    "off with blank reason": {"off": [SWITCH | {"reason": "   "}]},
    "off without owner": {"off": [{k: v for k, v in SWITCH.items() if k != "owner"}]},
    "off without end": {"off": [{k: v for k, v in SWITCH.items() if k != "ends"}]},
    "off with impossible end": {"off": [SWITCH | {"ends": "2031-02-30"}]},
    "off with another form of date": {"off": [SWITCH | {"ends": "20310503"}]},
    "off with unknown member": {"off": [SWITCH | {"until": "2031-05-03"}]},
    "off twice": {"off": [SWITCH, SWITCH | {"ends": "2039-01-01"}]},
    "unknown member": {"colour": "blue"},
    "no title": {"title": None},
    "version not a number": {"version": "new"},
}


def _with_locked(value: Any) -> Any:
    if isinstance(value, dict):
        return {locked_rule() if k == "LOCKED" else k: _with_locked(v) for k, v in value.items()}
    if isinstance(value, list):
        return [_with_locked(v) for v in value]
    return locked_rule() if value == "LOCKED" else value


@pytest.mark.parametrize("change", sorted(REFUSED))
def test_a_bad_profile_is_refused(change: str, tmp_path: Path) -> None:
    (tmp_path / "house.yaml").write_text(
        yaml.safe_dump(BASE | _with_locked(REFUSED[change]), sort_keys=False), encoding="utf-8"
    )
    book = pipeline().rulebook
    _, slips = load_profiles(tmp_path, {rule.id: rule for rule in book.rules}, book.shared, book.sources)
    assert slips, f"taken: {change}"
    assert all(slip.startswith("house.yaml") for slip in slips)


def test_the_unchanged_base_is_taken(tmp_path: Path) -> None:
    """The refusals above come from what is changed, not from the base."""
    good = BASE | {
        "off": [SWITCH],
        "parameters": {GAP: {"max_gap": {"value": 10, "source": "clark-2025"}}},
        "severities": {LATE: {"severity": "info", "source": "clark-2025"}},
        "measures": {LATE: "Counted by us."},
    }
    (tmp_path / "house.yaml").write_text(yaml.safe_dump(good, sort_keys=False), encoding="utf-8")
    book = pipeline().rulebook
    assert load_profiles(tmp_path, {rule.id: rule for rule in book.rules}, book.shared, book.sources)[1] == []


def test_start_up_refuses_a_bad_profile(tmp_path: Path) -> None:
    bad = BASE | {"off": [SWITCH | {"rule": locked_rule()}]}
    with pytest.raises(RulebookError):
        Pipeline.build(rules_with(tmp_path, bad))
