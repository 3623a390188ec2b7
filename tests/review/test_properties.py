"""What holds of every review, tried on seeded changes of the demo episodes."""

from __future__ import annotations

import json
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from service.episode import declaration
from service.problems import Rejected
from tests.support.episodes import Document
from tests.support.mutate import mutated, places
from tests.support.pipeline import demo, demo_names, pipeline
from tests.support.pointers import resolve
from tests.support.reviews import review

SEVERITIES = ("critical", "warning", "info")
PHASES = ("decision", "team", "application", "position", "sedation", "monitoring", "custody", "handover", "record")
CATEGORIES = ("completeness", "safety", "consistency")
#: A rule has the first of these outcomes that any of its facts has.
FIRST = ("error", "finding", "not_assessable", "clear", "not_applicable")

EXAMPLES = settings(derandomize=True, max_examples=120, deadline=None, database=None)
CHANGED = st.tuples(st.sampled_from(demo_names()), st.integers(0, 2**32), st.integers(0, 12))


def reviewed(changed: tuple[str, int, int]) -> tuple[Document, Document] | None:
    """(record, review); None for the few changes that leave nothing to read."""
    name, seed, times = changed
    document = mutated(demo(name), seed, times)
    try:
        return document, review(pipeline(), document)
    except Rejected:
        return None


def test_most_changes_can_be_read() -> None:
    """The other tests of this module would prove nothing on refused records."""
    tried = [reviewed((name, seed, 6)) for name in demo_names() for seed in range(8)]
    assert sum(one is not None for one in tried) > 0.9 * len(tried)


@EXAMPLES
@given(CHANGED)
def test_counts_add_up(changed: tuple[str, int, int]) -> None:
    if (both := reviewed(changed)) is None:
        return
    _, answer = both
    summary = answer["summary"]
    outcomes = [account["outcome"] for account in answer["accounts"]]
    assert summary["rules"] == len(outcomes) == len(pipeline().rulebook.rules) - summary["off"]
    assert summary["rules"] == sum(summary[outcome] for outcome in FIRST)
    assert {outcome: outcomes.count(outcome) for outcome in FIRST} == {outcome: summary[outcome] for outcome in FIRST}
    assert summary["findings"] == len(answer["findings"])
    assert summary["accepted"] == len(answer["accepted"])
    assert summary["off"] == len(answer["off"])
    for name, member, words in (
        ("by_severity", "severity", SEVERITIES),
        ("by_category", "category", CATEGORIES),
        ("by_phase", "phase", PHASES),
    ):
        counted = {word: sum(f[member] == word for f in answer["findings"]) for word in words}
        assert summary[name] == counted
        assert sum(counted.values()) == summary["findings"]


@EXAMPLES
@given(CHANGED)
def test_every_rule_is_accounted_for(changed: tuple[str, int, int]) -> None:
    if (both := reviewed(changed)) is None:
        return
    _, answer = both
    accounts = {account["rule"]: account for account in answer["accounts"]}
    assert set(accounts) == {rule.id for rule in pipeline().rulebook.rules}
    for account in answer["accounts"]:
        if account["facts"]:
            assert account["outcome"] == next(word for word in FIRST if word in account["facts"])
    found: dict[str, int] = {}
    for finding in answer["findings"]:
        found[finding["rule"]["id"]] = found.get(finding["rule"]["id"], 0) + 1
    assert found == {rule: a["facts"]["finding"] for rule, a in accounts.items() if "finding" in a["facts"]}
    unassessed = [entry["rule"]["id"] for entry in answer["not_assessable"]]
    assert sorted(unassessed) == sorted(rule for rule, a in accounts.items() if a["outcome"] == "not_assessable")
    assert all(entry["unknown"] for entry in answer["not_assessable"])


@EXAMPLES
@given(CHANGED)
def test_no_two_fingerprints_are_equal(changed: tuple[str, int, int]) -> None:
    if (both := reviewed(changed)) is None:
        return
    marks = [finding["fingerprint"] for finding in both[1]["findings"]]
    assert len(marks) == len(set(marks)), _twins(both[1]["findings"])


def _twins(findings: list[dict[str, Any]]) -> list[Any]:
    seen: dict[str, Any] = {}
    return [
        (seen[f["fingerprint"]], f["rule"]["id"], f["pointers"])
        for f in findings
        if seen.setdefault(f["fingerprint"], f["pointers"]) is not f["pointers"]
    ]


@EXAMPLES
@given(CHANGED)
def test_every_pointer_resolves_in_the_sent_record(changed: tuple[str, int, int]) -> None:
    if (both := reviewed(changed)) is None:
        return
    document, answer = both
    for finding in answer["findings"]:
        assert finding["pointers"], finding["rule"]["id"]
        for place in finding["pointers"]:
            at = resolve(document, place["pointer"])
            if "chars" in place:
                assert isinstance(at, str)
                assert 0 <= place["chars"]["from"] < place["chars"]["to"] <= len(at)
    for entry in answer["not_assessable"]:
        for unknown in entry["unknown"]:
            for pointer in unknown["pointers"]:
                resolve(document, pointer)
    for notice in answer["notices"]:
        if "pointer" in notice:
            resolve(document, notice["pointer"])


def _key(finding: dict[str, Any]) -> tuple[Any, ...]:
    first = finding["pointers"][0]["pointer"]
    parts = tuple((0, int(part), "") if part.isdigit() else (1, 0, part) for part in first.split("/")[1:])
    return SEVERITIES.index(finding["severity"]), PHASES.index(finding["phase"]), finding["rule"]["id"], parts


@EXAMPLES
@given(CHANGED)
def test_findings_stand_in_the_fixed_order(changed: tuple[str, int, int]) -> None:
    """Severity, phase, rule id, pointer by its parts with numbers as numbers."""
    if (both := reviewed(changed)) is None:
        return
    keys = [_key(finding) for finding in both[1]["findings"]]
    assert keys == sorted(keys)


@EXAMPLES
@given(CHANGED)
def test_related_findings_name_each_other(changed: tuple[str, int, int]) -> None:
    if (both := reviewed(changed)) is None:
        return
    related = {finding["fingerprint"]: set(finding["related"]) for finding in both[1]["findings"]}
    for mark, others in related.items():
        assert mark not in others
        assert all(mark in related[other] for other in others)


@EXAMPLES
@given(CHANGED)
def test_what_a_finding_always_says(changed: tuple[str, int, int]) -> None:
    """``tell_now`` on every critical one and on no other; a critical or locked one cannot be accepted."""
    if (both := reviewed(changed)) is None:
        return
    locked = {rule.id for rule in pipeline().rulebook.rules if rule.locked}
    for finding in both[1]["findings"]:
        assert ("tell_now" in finding) == (finding["severity"] == "critical")
        assert finding["message"]
        assert finding["remediation"]
        if finding["severity"] == "critical" or finding["rule"]["id"] in locked:
            assert finding["acceptable"] is False


@EXAMPLES
@given(CHANGED)
def test_no_text_and_no_id_of_the_record_comes_back(changed: tuple[str, int, int]) -> None:
    """Narrative, the crew's words, and every id but ``episode_ref`` stay out of the answer."""
    name, seed, times = changed
    document = mutated(demo(name), seed, times)
    for number, place in enumerate(places(document)):
        if (
            isinstance(place.member.kind, declaration.Ident)
            and place.member.name != "episode_ref"
            and isinstance(place.value, str)
        ):
            place.value = f"Canary-{number}" if place.member.name == "id" else "Canary-person"
        elif (
            isinstance(place.member.kind, declaration.Text)
            and isinstance(place.value, str)
            and place.member.name != "path"
        ):
            place.value = f"{place.value} Canary {place.value}"[: place.member.kind.longest]
    try:
        body = json.dumps(document).encode()
        answer = json.dumps(pipeline().review(body, "application/json", "default", True).document)
    except Rejected:
        return
    assert "Canary" not in answer
    sent = document.get("narrative")
    if isinstance(sent, str):
        assert not any(" ".join(words) in answer for words in zip(*(sent.split()[n:] for n in range(6)), strict=False))
