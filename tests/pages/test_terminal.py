"""A review as it is laid out in a terminal."""

from __future__ import annotations

from typing import Any

import pytest

from service.pages import terminal
from service.pipeline import Pipeline
from tests.support.episodes import encoded
from tests.support.pipeline import demo, demo_names

_FINDING: dict[str, Any] = {
    "rule": {"id": "RR-0001", "name": "a-b", "revision": 1},
    "severity": "info",
    "handled_by": "author",
    "title": "A title",
    "message": "What the record shows. " * 6,
    "remediation": "What to do.",
    "pointers": [{"pointer": "", "label": "record"}],
    "category": "completeness",
    "fingerprint": "v1:a",
    "related": [],
}
_RULES = {"RR-0001": ("team", "A title"), "RR-0002": ("team", "Local things"), "RR-0003": ("record", "Something odd")}
_DOCUMENT: dict[str, Any] = {
    "summary": {
        "rules": 3, "clear": 0, "finding": 3, "not_applicable": 0, "not_assessable": 0, "error": 0, "off": 1,
        "findings": 3, "accepted": 0, "by_severity": {"critical": 1, "warning": 1, "info": 1},
    },
    "findings": [
        {**_FINDING, "title": "Third"},
        {**_FINDING, "title": "Second", "severity": "warning", "handled_by": "reviewer", "disputed": True},
        {**_FINDING, "title": "First", "severity": "critical", "handled_by": "reviewer", "tell_now": "Look."},
    ],
    "accepted": [],
    "not_assessable": [{"rule": {"id": "RR-0003", "name": "c-d", "revision": 1}, "unknown": [{"fact": "x", "state": "missing", "pointers": []}]}],
    "off": [{"rule": "RR-0002", "reason": "Local protocol", "owner": "x", "ends": "2032-01-01"}],
    "notices": [{"code": "x", "detail": "A notice."}],
    "cautions": ["Supports review."],
}  # fmt: skip


def test_layout_puts_who_acts_and_severity_in_order() -> None:
    text = terminal.render("Episode", _DOCUMENT, _RULES, 60)
    order = ["Episode", "3 findings", "TELL NOW", "Look. [RR-0001]", "For the reviewer (2)", "First", "Second", "disputed",
             "For the author (1)", "Third", "Cannot be told from this record (1 rule)", "No entry (1)", "Record", "RR-0003 Something odd",
             "Switched off", "RR-0002 Local things: Local protocol", "A notice.", "Supports review."]  # fmt: skip
    places = [text.index(each) for each in order]
    assert places == sorted(places)
    assert max(map(len, text.splitlines())) <= 60


def test_layout_colors_only_when_asked() -> None:
    assert "\x1b" not in terminal.render("Episode", _DOCUMENT, _RULES)
    assert "\x1b[1;31m" in terminal.render("Episode", _DOCUMENT, _RULES, color=True)


def test_layout_puts_findings_that_differ_in_their_place_only_together() -> None:
    three = [
        {
            **_FINDING,
            "message": f"Limb {n} is cold.",
            "fingerprint": f"v1:{n}",
            "pointers": [{"pointer": f"/limbs/{n}", "label": "limb"}],
        }
        for n in range(3)
    ]
    text = terminal.render("Episode", {**_DOCUMENT, "findings": three}, _RULES)
    assert "For the author (3)" in text
    assert text.count("A title [RR-0001], 3 places") == text.count("What to do.") == 1
    for n in range(3):
        assert f"- Limb {n} is cold. At: /limbs/{n}\n" in text
    alike = [{**each, "message": "Cold."} for each in three]
    text = terminal.render("Episode", {**_DOCUMENT, "findings": alike}, _RULES)
    assert text.count("Cold.") == 1
    assert "- At: /limbs/2\n" in text


def test_layout_says_what_a_finding_rests_on_without_color() -> None:
    both = [_FINDING, {**_FINDING, "category": "safety", "severity": "warning"}]
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
        for entry in document["not_assessable"]:
            assert f"{entry['rule']['id']} {rules[entry['rule']['id']][1]}" in flat


def test_one_is_not_many() -> None:
    summary = {**_DOCUMENT["summary"], "rules": 1, "findings": 1}
    text = terminal.render("Episode", {**_DOCUMENT, "summary": summary}, _RULES)
    assert "1 finding: " in text
    assert "1 rule: " in text
