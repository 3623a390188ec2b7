"""What holds of every review, tried on seeded changes of the demo episodes."""

from __future__ import annotations

import contextlib
import json
from collections import Counter
from typing import Any

import pytest

from service.episode import declaration
from service.intake.not_collected import PATHS
from service.problems import Rejected
from service.review.build import Wanted
from tests.support.episodes import Document, encoded
from tests.support.mutate import mutated, places
from tests.support.pipeline import demo, demo_names, pipeline
from tests.support.pointers import resolve
from tests.support.reviews import instances

SEVERITIES = ("critical", "warning", "info")
CONCERNS = (
    "arrest_or_death", "airway", "breathing", "circulation", "consciousness", "drug", "attendance", "limb", "position",
    "law_enforcement", "ground", "transfer", "record",
)  # fmt: skip
CATEGORIES = ("completeness", "safety", "consistency")
HANDLERS = ("author", "reviewer")
ENDS = ("findings", "accepted", "counted", "covered")
#: A rule has the first of these outcomes that any of its facts has.
FIRST = ("error", "finding", "not_assessable", "clear", "not_applicable")
RULES = {rule.id: rule for rule in pipeline().rulebook.rules}

#: Name of a demo episode, seed, and how many times it is changed.
CHANGED = [(name, 100 * times + turn, times) for name in demo_names() for times in range(13) for turn in range(2)]
Reviews = list[tuple[Document, Document]]


@pytest.fixture(scope="module")
def reviews() -> Reviews:
    """(record, review with accounts) of every change but the few that leave nothing to read."""
    found = []
    for name, seed, times in CHANGED:
        document = mutated(demo(name), seed, times)
        with contextlib.suppress(Rejected):
            made = pipeline().review(encoded(document), "application/json", "default", Wanted(accounts=True))
            found.append((document, made.document))
    assert len(found) > 0.9 * len(CHANGED)
    return found


def test_counts_add_up(reviews: Reviews) -> None:
    """Every rule has one outcome, and every rule with a finding has one of four ends."""
    for _, answer in reviews:
        summary, findings = answer["summary"], answer["findings"]
        outcomes = Counter(account["outcome"] for account in answer["accounts"])
        assert summary["rules"] == outcomes.total() == len(RULES) - summary["off"]
        assert {outcome: outcomes[outcome] for outcome in FIRST} == {outcome: summary[outcome] for outcome in FIRST}
        assert sum(summary[end] for end in ENDS) == summary["finding"] + summary["error"]
        assert summary["findings"] == len(findings)
        assert summary["unjudged"] == len(answer["unjudged"])
        assert summary["off"] == len(answer["off"])
        for name, member, words in (
            ("by_severity", "severity", SEVERITIES),
            ("by_category", "category", CATEGORIES),
            ("by_concern", "concern", CONCERNS),
            ("by_handler", "handled_by", HANDLERS),
        ):
            assert summary[name] == {word: sum(f[member] == word for f in findings) for word in words}
            assert sum(summary[name].values()) == summary["findings"]


def test_every_rule_and_every_fact_is_accounted_for(reviews: Reviews) -> None:
    for _, answer in reviews:
        accounts = {account["rule"]: account for account in answer["accounts"]}
        assert set(accounts) == set(RULES)
        for account in answer["accounts"]:
            if account["facts"]:
                assert account["outcome"] == next(word for word in FIRST if word in account["facts"])
        found = Counter(one["rule"]["id"] for one in instances(answer))
        for name in ("counted", "covered"):
            for entry in answer[name]:
                found[entry["rule"]] += entry["facts"]
        assert found == {rule: a["facts"]["finding"] for rule, a in accounts.items() if "finding" in a["facts"]}


def test_what_cannot_be_assessed_stands_once_under_a_path_of_the_contract(reviews: Reviews) -> None:
    for _, answer in reviews:
        listed = [rule["id"] for group in answer["not_assessable"] for rule in group["rules"]]
        expected = [a["rule"] for a in answer["accounts"] if a["outcome"] == "not_assessable"]
        assert sorted(listed) == sorted(expected)
        assert len({json.dumps(group["because"]) for group in answer["not_assessable"]}) == len(
            answer["not_assessable"]
        )
        for group in answer["not_assessable"]:
            assert group["because"]["path"] in PATHS, group
            assert group["worst"] == min((RULES[r["id"]].severity for r in group["rules"]), key=SEVERITIES.index)
        for entry in answer["unjudged"]:
            assert all(cause["path"] in PATHS for cause in entry["because"]), entry


def test_no_two_fingerprints_are_equal(reviews: Reviews) -> None:
    for _, answer in reviews:
        marks = Counter(one["fingerprint"] for one in instances(answer))
        twins = [(one["rule"]["id"], one["pointers"]) for one in instances(answer) if marks[one["fingerprint"]] > 1]
        assert twins == []


def test_every_place_is_in_the_sent_record_and_every_missing_one_is_not(reviews: Reviews) -> None:
    for document, answer in reviews:
        for one in instances(answer) + instances(answer, "unjudged"):
            assert one["pointers"], one["rule"]["id"]
            for place in one["pointers"]:
                at = resolve(document, place["pointer"])
                if "chars" in place:
                    assert isinstance(at, str)
                    assert 0 <= place["chars"]["from"] < place["chars"]["to"] <= len(at)
                if "item" in place:
                    steps = place["pointer"].split("/")
                    item = next(resolve(document, "/".join(steps[: n + 1])) for n, s in enumerate(steps) if s.isdigit())
                    assert item["id"] == place["item"]
                if "missing" in place:
                    assert place["missing"].startswith(place["pointer"])
                    assert _is_not_there(document, place["missing"]), place
        for notice in answer["notices"]:
            for pointer in notice["pointers"]:
                resolve(document, pointer)


def _is_not_there(document: Document, pointer: str) -> bool:
    """Nothing, a mark of absence, or the end of a list."""
    if pointer.endswith("/-"):
        return isinstance(resolve(document, pointer[:-2]), list)
    try:
        value = resolve(document, pointer)
    except LookupError:
        return True
    return isinstance(value, dict) and ("absent" in value or "none" in value)


def test_the_most_urgent_comes_first(reviews: Reviews) -> None:
    """Severity, concern, start of the worst instance (no time comes last), rule id; tell_now likewise."""
    for _, answer in reviews:

        def key(entry: dict[str, Any], span: Any, rule: str) -> tuple[Any, ...]:
            start = span["from"] if span else ""
            return SEVERITIES.index(entry["severity"]), CONCERNS.index(entry["concern"]), span is None, start, rule

        keys = [key(f, f["instances"][0]["span"], f["rule"]["id"]) for f in answer["findings"]]
        assert keys == sorted(keys)
        assert len({f["key"] for f in answer["findings"]}) == len(answer["findings"]), "one finding a rule"
        told = [key(line, line["span"], line["rule"]) for line in answer["tell_now"]]
        assert told == sorted(told)


def test_every_critical_danger_is_told_now(reviews: Reviews) -> None:
    """A line for each critical finding and for each critical danger that stays unjudged, and no other line."""
    for _, answer in reviews:
        critical = sorted(f["key"] for f in answer["findings"] if f["severity"] == "critical")
        assert sorted(line["finding"] for line in answer["tell_now"] if line["finding"]) == critical
        dangers = sorted(e["rule"]["id"] for e in answer["unjudged"] if e["severity"] == "critical" and e["instances"])
        assert sorted(line["rule"] for line in answer["tell_now"] if not line["finding"]) == dangers
        assert all(line["severity"] == "critical" and line["text"] and line["pointers"] for line in answer["tell_now"])


def test_what_a_finding_always_says(reviews: Reviews) -> None:
    """``tell_now`` wherever it is critical; a critical or locked one cannot be accepted."""
    for _, answer in reviews:
        for one in instances(answer):
            rule = RULES[one["rule"]["id"]]
            assert ("tell_now" in one) == (rule.tell_now is not None)
            assert "{" not in one["message"] + one.get("tell_now", "")
            assert one["message"]
            assert one["remediation"]
            if one["severity"] == "critical" or rule.locked:
                assert one["acceptable"] is False


def test_stories_are_numbered_as_they_come(reviews: Reviews) -> None:
    """Findings of one cascade have one number, no finding is alone in its story."""
    for _, answer in reviews:
        told = [(f["story"], RULES[f["rule"]["id"]].cascade) for f in answer["findings"]]
        numbers = [story for story, _ in told if story is not None]
        assert list(dict.fromkeys(numbers)) == list(range(1, len(set(numbers)) + 1))
        assert all(count > 1 for count in Counter(numbers).values())
        assert len({(story, cascade) for story, cascade in told if story is not None}) == len(set(numbers))
        alone = Counter(cascade for _, cascade in told if cascade)
        assert all(story is None for story, cascade in told if alone[cascade or ""] < 2)


def test_no_text_and_no_id_of_a_person_comes_back() -> None:
    """Narrative, the crew's words, and every id stay out of the answer; ids of items stand in ``item`` alone."""
    for name, seed, times in CHANGED[::2]:  # the search through the whole answer takes longer than all else here
        document = mutated(demo(name), seed, times)
        for number, place in enumerate(places(document)):
            if (
                isinstance(place.member.kind, declaration.Ident)
                and place.member.name != "episode_ref"
                and isinstance(place.value, str)
            ):
                place.value = f"Item-{number}" if place.member.name == "id" else "Canary-person"
            elif (
                isinstance(place.member.kind, declaration.Text)
                and isinstance(place.value, str)
                and place.member.name != "path"
            ):
                place.value = f"{place.value} Canary {place.value}"[: place.member.kind.longest]
        try:
            made = pipeline().review(
                json.dumps(document).encode(), "application/json", "default", Wanted(True, True, True)
            )
        except Rejected:
            continue
        answer = json.dumps(_without_items(made.document))
        assert "Canary" not in answer
        assert "Item-" not in answer
        sent = document.get("narrative")
        if isinstance(sent, str):
            assert not any(
                " ".join(words) in answer for words in zip(*(sent.split()[n:] for n in range(6)), strict=False)
            )


def _without_items(value: Any) -> Any:
    if isinstance(value, dict):
        return {name: _without_items(each) for name, each in value.items() if name != "item"}
    return [_without_items(each) for each in value] if isinstance(value, list) else value


@pytest.mark.parametrize("name", demo_names())
def test_what_is_left_out_changes_nothing_else(name: str) -> None:
    """``detail``, ``accounts`` and ``explain`` add members; the rest of the answer is the same."""
    body = encoded(demo(name))
    plain = pipeline().review(body, "application/json", "default").document
    rich = pipeline().review(body, "application/json", "default", Wanted(True, True, True)).document
    assert {k for k in rich if k not in plain} == {"accounts"}
    for short, full in zip(plain["findings"], rich["findings"], strict=True):
        assert "why" not in short
        assert full["why"]
        assert {k: v for k, v in full.items() if k not in ("why", "sources")} == {
            k: v for k, v in short.items() if k != "sources"
        }
        assert [set(s) for s in short["sources"]] == [{"key", "locator", "confidence"}] * len(short["sources"])
    assert {k: v for k, v in rich.items() if k not in ("accounts", "findings", "accepted")} == {
        k: v for k, v in plain.items() if k not in ("findings", "accepted")
    }
    assert all("explanation" in account for account in rich["accounts"])


def _causes(document: Document) -> dict[str, tuple[str, str]]:
    answer = pipeline().review(encoded(document), "application/json", "default", Wanted()).document
    return {
        rule["id"]: (group["because"]["path"], group["because"]["state"])
        for group in answer["not_assessable"]
        for rule in group["rules"]
    }


def test_a_member_without_a_place_is_itself_the_cause() -> None:
    document, tried = demo("everything-wrong"), 0
    before = _causes(document)
    for path in PATHS:
        try:
            after = _causes({**document, "not_collected": [*document.get("not_collected", []), path]})
        except Rejected:
            continue
        for rule, (cause, state) in after.items():
            if before.get(rule) != (cause, state):
                tried += 1
                assert state == "not_collected", (rule, path, cause)
                assert f"{cause}/".startswith(f"{path}/") or f"{path}/".startswith(f"{cause}/"), (rule, path, cause)
    assert tried > 20
