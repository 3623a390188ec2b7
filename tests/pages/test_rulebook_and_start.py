"""The rulebook page and the start page: everything of the rulebook, the form fields that the service reads, fixed text only."""

from __future__ import annotations

import re

from service.pages import rulebook as rulebook_page
from service.pages import start as start_page
from tests.support.pages import DEMOS, FORMATS, facts, rulebook, start, tree
from tests.support.pipeline import pipeline


def flat(text: str) -> str:
    return " ".join(text.split())


def test_every_rule_stands_with_its_text_limits_conditions_and_sources() -> None:
    book = pipeline().rulebook
    by_id = {e.attributes["id"]: e for e in tree(rulebook()).walk() if "id" in e.attributes}
    for rule in book.rules:
        row = by_id[rule.id]
        assert row.by_tag("a")[0].attributes["href"] == f"/v1/rules/{rule.id}"
        assert all(word in row.text() for word in (rule.title, rule.severity, rule.handled_by))
        entry = tree(rulebook_page.render_rule(book, rule))
        text = entry.text()
        said = [
            rule.title,
            rule.remediation,
            rule.why,
            rule.name,
            *rule.known_limits,
            *re.split(r"\s*\{[^}]*\}\s*", rule.tell_now or ""),
        ]
        said += [book.sources[s.key]["title"] for s in rule.sources] + [s.locator for s in rule.sources]
        assert [line for line in said if flat(line) not in text] == [], rule.id
        lines = {id(li) for c in entry.by_class("conditions") for li in c.by_tag("li") if not li.by_tag("ul")}
        assert len(lines) == len(rule.applies_when.leaves()) + len(rule.fails_when.leaves()), rule.id
        for parameter in rule.parameters:
            assert parameter.name.replace("_", " ").lower() in text.lower(), rule.id


def test_every_profile_and_every_source_stands() -> None:
    book = pipeline().rulebook
    root = tree(rulebook())
    text = root.text()
    for profile in book.profiles.values():
        assert flat(profile.title) in text
        numbers = profile.numbers
        rows = sum(f"{r.id}.{p.name}" in numbers or p.of in numbers for r in book.rules for p in r.parameters)
        if rows:
            (table,) = [t for t in root.by_tag("table") if f"Limits that {profile.id} states" in t.text()]
            assert len(table.by_tag("tr")) == rows + 1
        for note in profile.raw.get("notes", []):  # type: ignore[union-attr]
            assert flat(str(note)) in text
        for rule, severity in profile.severities.items():
            assert f"{rule} {severity}" in text
    for key, source in book.sources.items():
        assert key in text
        assert flat(source["title"]) in text
        assert flat(source["publisher"]) in text
    assert book.digest in text
    assert "No rule is switched off." in text


def test_a_placeholder_is_named_for_people() -> None:
    book = pipeline().rulebook
    pages = {rule.id: tree(rulebook_page.render_rule(book, rule)).by_tag("main")[0].text() for rule in book.rules}
    assert not [rule for rule, text in pages.items() if "{" in text]
    assert "[max gap] min" in pages["RR-1307"]
    assert "mg/dL]" in pages["RR-1388"]


def test_the_list_is_narrowed_and_stays_small() -> None:
    book = pipeline().rulebook
    assert len(rulebook()) < 250_000
    chosen = {"severity": "critical", "concern": "breathing"}
    root = tree(rulebook_page.render(book, chosen))
    shown = {row.attributes["id"] for row in root.by_tag("tr") if "id" in row.attributes}
    assert shown == {r.id for r in book.rules if (r.severity, r.concern) == ("critical", "breathing")}
    assert f"{len(shown)} rules of {len(book.rules)}" in root.text()
    picked = {o.attributes["value"] for o in root.by_tag("option") if "selected" in o.attributes}
    assert picked == {"critical", "breathing"}
    profile = book.profiles["massachusetts-2026"]
    root = tree(rulebook_page.render(book, {"profile": "massachusetts-2026"}))
    shown = {row.attributes["id"] for row in root.by_tag("tr") if "id" in row.attributes}
    assert {*profile.severities, *profile.measures, *profile.parameters} <= shown < {rule.id for rule in book.rules}
    assert "Limits that massachusetts-2026 states" in root.text()


def test_the_same_rulebook_gives_the_same_bytes() -> None:
    assert rulebook_page.render(pipeline().rulebook) == rulebook()


def test_the_start_page_has_the_fields_it_names() -> None:
    root = tree(start())
    forms = root.by_tag("form")
    assert [(f.attributes["method"], f.attributes["action"], f.attributes["enctype"]) for f in forms] == [
        ("post", start_page.ACTION, "multipart/form-data")
    ] * 2
    demos, own = forms
    assert [b.attributes["value"] for b in demos.by_tag("button") if b.attributes["name"] == start_page.DEMO] == [
        d.name for d in DEMOS
    ]
    (file,) = [i for i in own.by_tag("input") if i.attributes["type"] == "file"]
    assert file.attributes["name"] == start_page.FILE
    (formats,) = [s for s in own.by_tag("select") if s.attributes["name"] == start_page.FORMAT]
    assert [o.attributes["value"] for o in formats.by_tag("option")] == [media_type for media_type, _ in FORMATS]
    for form in forms:
        (profiles,) = [s for s in form.by_tag("select") if s.attributes["name"] == start_page.PROFILE]
        assert [o.attributes["value"] for o in profiles.by_tag("option")] == sorted(pipeline().rulebook.profiles)
        assert [o.attributes["value"] for o in profiles.by_tag("option") if "selected" in o.attributes] == ["default"]
    links = {a.attributes["href"] for a in root.by_tag("a")}
    assert {"/v1/rules", "/openapi.yaml"} <= links
    assert "Nothing is stored." in root.text()
    assert not root.by_class("alarm")


def test_one_format_needs_no_choice() -> None:
    root = tree(start_page.render(pipeline().rulebook, DEMOS, FORMATS[:1], pipeline().served, "default"))
    (hidden,) = [i for i in root.by_tag("input") if i.attributes["name"] == start_page.FORMAT]
    assert (hidden.attributes["type"], hidden.attributes["value"]) == ("hidden", "application/json")


def test_a_refusal_is_shown_and_escaped() -> None:
    wrong = start_page.Wrong("The body is no episode.", [("/patient/<b>", "Not a number.")])
    root = tree(start_page.render(pipeline().rulebook, DEMOS, FORMATS, pipeline().served, "default", wrong))
    (alarm,) = root.by_class("alarm")
    assert alarm.attributes["role"] == "alert"
    for said in ("The body is no episode.", "Not a number.", "/patient/<b>"):
        assert said in alarm.text()
    assert not alarm.by_tag("b")


def test_the_page_of_facts_says_when_each_is_true_and_which_rules_ask_it() -> None:
    root, book = tree(facts()), pipeline().rulebook
    for kind in book.vocabulary.kinds.values():
        rows = {
            row.by_tag("th")[0].text().split()[0]: row
            for at in (kind.name, "every-kind")
            for row in root.by_id(f"facts-{at}").by_tag("tr")[1:]
        }
        assert set(kind.attributes) <= set(rows)
    unanswered = next(
        row
        for row in root.by_id("facts-event").by_tag("tr")[1:]
        if row.by_tag("th")[0].text().split() == ["unanswered"]
    )
    assert "True when " in unanswered.text()
    links = {a.attributes["href"] for a in unanswered.by_tag("a")}
    asking = {r.id for r in book.rules if r.about == "event" and "'unanswered'" in str(r.raw["fails_when"])}
    assert asking and {f"/v1/rules#{rule}" for rule in asking} <= links
    # Every link leads to a rule of the page of the rulebook.
    rules = tree(rulebook())
    for rule in {a.attributes["href"].partition("#")[2] for a in root.by_id("main").by_tag("a")} & {
        r.id for r in book.rules
    }:
        rules.by_id(rule)
    assert "/v1/facts" in {a.attributes["href"] for a in rules.by_tag("a")}
