"""A review as it is laid out in a terminal."""

from __future__ import annotations

from typing import Any

import pytest

from service.pages import terminal
from service.pipeline import Pipeline
from tests.support.episodes import encoded
from tests.support.pipeline import demo, demo_names


def _finding(*instances: dict[str, Any], **more: Any) -> dict[str, Any]:
    message = instances[0]["message"] if instances else "What the record shows. " * 6
    return {
        "rule": {"id": "RR-0001", "name": "a-b", "revision": 1},
        "severity": "info",
        "handled_by": "author",
        "title": "A title",
        "message": message,
        "remediation": "What to do.",
        "category": "completeness",
        "story": None,
        "instances": list(instances) or [_instance(message, "")],
        **more,
    }


def _instance(message: str, pointer: str, **more: Any) -> dict[str, Any]:
    return {"message": message, "span": None, "pointers": [{"pointer": pointer, "label": "record"}], **more}


_RULES = {"RR-0001": ("team", "A title"), "RR-0002": ("team", "Local things"), "RR-0003": ("record", "Something odd")}
_DOCUMENT: dict[str, Any] = {
    "summary": {
        "rules": 3, "clear": 0, "finding": 3, "not_applicable": 0, "not_assessable": 0, "error": 0, "off": 1,
        "findings": 3, "accepted": 0, "counted": 2, "covered": 0, "by_severity": {"critical": 1, "warning": 1, "info": 1},
    },
    "patient": {"state": "unknown", "text": "Where the patient is."},
    "tell_now": [{"text": "Look. And 1 more: 18:20.", "rule": "RR-0001", "finding": "RR-0001"}],
    "findings": [
        _finding(title="First", severity="critical", handled_by="reviewer", tell_now="Look."),
        _finding(_instance("Odd.", "/a", disputed=True), title="Second", severity="warning", handled_by="reviewer", tell_now="Lowered."),
        _finding(title="Third"),
    ],
    "unjudged": [{"rule": {"id": "RR-0003"}, "severity": "critical", "title": "A danger", "message": "Nobody can tell.", "instances": [_instance("", "/c")]}],
    "accepted": [],
    "not_assessable": [{"because": {"path": "/team/members", "label": "team, members", "state": "missing"}, "rules": [{"id": "RR-0003", "also": 0}], "worst": "info"}],
    "off": [{"rule": "RR-0002", "reason": "Local protocol", "owner": "x", "ends": "2032-01-01"}],
    "notices": [{"code": "x", "severity": "info", "text": "A notice.", "pointers": ["", "/team"]}],
    "cautions": ["Supports review."],
}  # fmt: skip


def test_layout_puts_who_acts_and_severity_in_order() -> None:
    text = terminal.render("Episode", _DOCUMENT, _RULES, 60)
    order = ["Episode", "3 findings", "2 counted", "TELL NOW", "Where the patient is.", "Look. And 1 more: 18:20. [RR-0001]",
             "For the reviewer (2)", "First", "Second", "Lowered.", "Disputed", "For the author (1)", "Third",
             "Stays unjudged (1)", "CRITICAL A danger [RR-0003]. Nobody can", "At: /c",
             "Cannot be told from this record (1 rule)", "Team, members: left blank: 1 rule: RR-0003",
             "Switched off", "RR-0002 Local things: Local protocol", "A notice. At: /team", "Supports review."]  # fmt: skip
    places = [text.index(each) for each in order]
    assert places == sorted(places)
    assert max(map(len, text.splitlines())) <= 60


def test_layout_colors_only_when_asked() -> None:
    assert "\x1b" not in terminal.render("Episode", _DOCUMENT, _RULES)
    assert "\x1b[1;31m" in terminal.render("Episode", _DOCUMENT, _RULES, color=True)


def test_layout_puts_the_instances_of_a_finding_together() -> None:
    three = [_instance(f"Limb {n} is cold.", f"/limbs/{n}") for n in range(3)]
    text = terminal.render("Episode", {**_DOCUMENT, "findings": [_finding(*three)]}, _RULES)
    assert "For the author (1)" in text
    assert text.count("A title [RR-0001], 3 places") == text.count("What to do.") == 1
    for n in range(3):
        assert f"- Limb {n} is cold. At: /limbs/{n}\n" in text
    alike = [{**each, "message": "Cold."} for each in three]
    text = terminal.render("Episode", {**_DOCUMENT, "findings": [_finding(*alike)]}, _RULES)
    assert text.count("Cold.") == 1
    assert "- At: /limbs/2\n" in text


def test_layout_says_what_a_finding_rests_on_without_color() -> None:
    both = [_finding(), _finding(category="safety", severity="warning")]
    text = terminal.render("Episode", {**_DOCUMENT, "findings": both}, _RULES)
    assert "INFO (no entry) A title" in text
    assert "WARNING (charted) A title" in text


@pytest.mark.parametrize("width", [20, 60, 80, 300])
def test_no_line_of_a_real_review_is_wider_than_the_terminal(width: int, pipeline: Pipeline) -> None:
    rules = {rule.id: (rule.phase, rule.title) for rule in pipeline.rulebook.rules}
    for name in demo_names():
        document = pipeline.review(encoded(demo(name)), "application/json", "default").document
        text = terminal.render(name, document, rules, width)
        assert max(map(len, text.splitlines())) <= max(40, min(width, 100))
        assert not [line for line in text.splitlines() if line != line.rstrip()]
        flat = " ".join(text.split())
        for finding in document["findings"]:
            assert finding["rule"]["id"] in flat
            assert " ".join(finding["message"].split()) in flat
            for one in finding["instances"]:
                assert " ".join(one["message"].split()) in flat
        for line in document["tell_now"]:
            assert " ".join(line["text"].split()) in flat
        for entry in document["unjudged"]:
            assert " ".join(entry["message"].split()) in flat
        for group in document["not_assessable"]:
            for rule in group["rules"]:
                assert rule["id"] in flat


def test_one_is_not_many() -> None:
    summary = {**_DOCUMENT["summary"], "rules": 1, "findings": 1}
    text = terminal.render("Episode", {**_DOCUMENT, "summary": summary}, _RULES)
    assert "1 finding: " in text
    assert "1 rule: " in text
