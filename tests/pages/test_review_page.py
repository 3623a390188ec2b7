"""The review page says what the review says: every finding, every rule, nothing of the caller's own text, nothing green."""

from __future__ import annotations

import base64
import colorsys
import hashlib
import re
from dataclasses import replace

import pytest

from service.pages import html
from service.pages import review as review_page
from service.wording.clock import Clock
from service.wording.places import Places
from tests.support.episodes import exemplary, put
from tests.support.pages import (
    Element,
    demo_page,
    demo_review,
    facts,
    findings_of,
    formats,
    review_of,
    rulebook,
    shown,
    start,
    tree,
)
from tests.support.pipeline import demo, demo_names, pipeline
from tests.support.reviews import instances

CANARY = "zq7canary"


#: Where the pages that are no answer to a chart lead.
PAGES = ("/", "/v1/rules", "/v1/facts", "/v1/formats", "/openapi.yaml")


def every_page() -> list[tuple[str, bytes]]:
    others = [("rulebook", rulebook()), ("facts", facts()), ("formats", formats()), ("start", start())]
    return [*((name, demo_page(name)) for name in demo_names()), *others]


@pytest.mark.parametrize("name", demo_names())
def test_every_finding_stands_once_with_all_it_says(name: str) -> None:
    document = demo_review(name).document
    found = findings_of(tree(demo_page(name)))
    assert sorted(each.number for each in found) == list(range(1, len(instances(document)) + 1))
    by_print = {each.fingerprint: each for each in found}
    assert set(by_print) == {one["fingerprint"] for one in instances(document)}
    for finding in instances(document):
        shown = by_print[finding["fingerprint"]]
        text = shown.article.text()
        for said in (
            finding["title"],
            finding["message"],
            finding["remediation"],
            finding["why"],
            finding["rule"]["id"],
        ):
            assert " ".join(said.split()) in text
        assert finding["severity"] in shown.article.classes
        for place in finding["pointers"]:
            assert place["pointer"] in [c.text() for c in shown.spot.by_tag("code")]
        for source in finding["sources"]:
            assert source["title"] in text


def test_the_instances_of_a_finding_stand_together() -> None:
    """Four limbs with one hole in their checks: one heading, one remediation, four places in order, each with its own number."""
    document = demo_review("night-two-crew-late-sedation").document
    holes = [one for one in instances(document) if one["rule"]["id"] == "RR-1307"]
    assert len(holes) == 4
    found = findings_of(tree(demo_page("night-two-crew-late-sedation")))
    (article,) = {
        id(each.article): each.article for each in found if "RR-1307" in each.article.by_class("id")[0].text()
    }.values()
    together = [each for each in found if each.article is article]
    assert [each.fingerprint for each in together] == [f["fingerprint"] for f in holes]
    first, *_, last = (each.number for each in together)
    assert f"{first} to {last}" in article.by_class("head")[0].text()
    assert article.text().count(holes[0]["remediation"]) == 1
    for each, finding in zip(together, holes, strict=True):
        assert finding["message"] in each.spot.text()
        assert "03:02 to 03:20" in each.spot.text()


def test_the_top_names_the_gravest_findings_of_each_reader() -> None:
    document = demo_review("everything-wrong").document
    root = tree(demo_page("everything-wrong"))
    numbers = {each.number: each for each in findings_of(root)}
    for reader, handler in zip(root.by_class("reader"), ("reviewer", "author"), strict=False):
        mine = [f for f in document["findings"] if f["handled_by"] == handler]
        assert f"{len(mine)} findings" in reader.text()
        (first,) = reader.by_class("first")
        assert len(first.by_tag("li")) == 5
        for link in first.by_tag("a"):
            number = int(link.attributes["href"].removeprefix("#f"))
            assert link.text() in numbers[number].article.by_class("head")[0].text()
        assert first.by_tag("li")[0].text().startswith("Critical")


@pytest.mark.parametrize("name", demo_names())
def test_every_rule_is_accounted_for(name: str) -> None:
    document = demo_review(name).document
    text = tree(demo_page(name)).text()
    missing = [a["rule"] for a in document["accounts"] if a["rule"] not in text]
    assert missing == []
    for key in ("finding", "clear", "not_applicable", "not_assessable"):
        assert f"{document['summary'][key]} " in text


def test_findings_from_absence_look_different_from_charted_ones() -> None:
    document = demo_review("everything-wrong").document
    root = tree(demo_page("everything-wrong"))
    absent = {one["fingerprint"] for one in instances(document) if one["category"] == "completeness"}
    for each in findings_of(root):
        assert ("absent" in each.article.classes) == (each.fingerprint in absent)
        assert ("charted" in each.article.classes) == (each.fingerprint not in absent)
        basis = next(e for e in each.article.walk() if "basis" in e.classes).text()
        assert (basis == "No entry") == (each.fingerprint in absent)


def test_the_head_says_what_it_was_made_with() -> None:
    document = demo_review("night-two-crew-late-sedation").document
    root = tree(demo_page("night-two-crew-late-sedation"))
    (head,) = root.by_tag("h1")
    assert head.text() == document["episode_ref"]
    text = root.text()
    for said in (
        document["versions"]["ruleset"],
        document["versions"]["profile"],
        "UTC-06:00",
        "2031-05-03",
        *document["cautions"],
    ):
        assert said in text
    assert "no rule" in text
    for value in document["versions"].values():
        assert value in text


def test_what_to_tell_now_stands_before_everything_else() -> None:
    body = demo_page("everything-wrong").decode()
    lines = demo_review("everything-wrong").document["tell_now"]
    root = tree(body.encode())
    (box,) = root.by_class("tell-now")
    items = box.by_tag("li")
    assert len(items) == len(lines) > 30
    for item, line in zip(items, lines, strict=True):
        assert item.text().startswith(" ".join(line["text"].split()))
    assert body.index('class="tell-now"') < body.index("For the reviewer") < body.index("<svg")
    assert not tree(demo_page("exemplary")).by_class("tell-now")


@pytest.mark.parametrize("name", demo_names())
def test_what_stays_unjudged_is_shown_with_its_places(name: str) -> None:
    document = demo_review(name).document
    text = tree(demo_page(name)).text()
    for entry in document["unjudged"]:
        assert " ".join(entry["message"].split()) in text
        for one in entry["instances"]:
            assert all(place["pointer"] in text for place in one["pointers"])
    for line in document["tell_now"]:
        assert " ".join(line["text"].split()) in text


def test_switched_off_rules_accepted_findings_and_alarms_are_shown() -> None:
    document = demo("night-two-crew-late-sedation")
    plain = review_of(document).document
    chosen = next(one for one in instances(plain) if one["rule"]["id"] == "RR-1340")
    document["accepted"] = [{"fingerprint": chosen["fingerprint"], "reason": f"<b>{CANARY}</b>"}]
    review = review_of(document)
    off = [{"rule": "RR-1114", "reason": "Stretcher has no scale.", "owner": "Medical director", "ends": "2031-12-31"}]
    alarm = {
        "code": "deciders-disagree",
        "severity": "critical",
        "text": "Engine and evaluator disagree about RR-1101.",
        "pointers": ["/postures/0"],
    }
    notice = {"code": "x", "severity": "info", "text": "A plain notice.", "pointers": ["/patient/canary-place"]}
    changed = replace(review, document={**review.document, "off": off, "notices": [notice, alarm]})
    root = tree(review_page.render(changed, pipeline().rulebook))
    text = root.text()
    for said in (
        "RR-1114",
        "Stretcher has no scale.",
        "Owner: Medical director",
        "Ends 2031-12-31",
        "A plain notice. /patient/canary-place",
        f"<b>{CANARY}</b>",
    ):
        assert said in text
    (shown_alarm,) = root.by_class("alarm")
    assert f"{alarm['text']} /postures/0" in shown_alarm.text()
    assert "1 accepted" in text
    assert not [b for b in root.by_tag("b") if CANARY in b.text()]


def test_nothing_of_the_callers_own_words_is_on_the_page() -> None:
    document = exemplary()
    put(document, "/narrative", f"{CANARY} tied with knots to the rail")
    put(document, "/decision/behaviours/0/words", CANARY)
    _, root = shown(document)
    assert CANARY not in root.text()


def test_a_cascade_is_folded_under_its_worst_for_each_reader() -> None:
    document = demo_review("everything-wrong").document
    by_print = {one["fingerprint"]: one for one in instances(document)}
    root = tree(demo_page("everything-wrong"))
    rank = ("critical", "warning", "info").index
    assert root.by_class("story")
    prints = {id(each.article): each.fingerprint for each in reversed(findings_of(root))}
    for head in root.by_class("finding"):
        own = [c for c in head.children if isinstance(c, Element) and "story" in c.classes]
        if not own:
            continue
        first = by_print[prints[id(head)]]
        for folded in own[0].by_class("finding"):
            each = by_print[prints[id(folded)]]
            assert each["story"] == first["story"] is not None
            assert each["severity"] != "critical"
            assert each["handled_by"] == first["handled_by"]
            assert rank(each["severity"]) >= rank(first["severity"])
            assert each["severity"] in folded.classes


def test_the_same_review_gives_the_same_bytes() -> None:
    name = "everything-wrong"
    assert review_page.render(review_of(demo(name)), pipeline().rulebook) == demo_page(name)


@pytest.mark.parametrize(("name", "body"), every_page(), ids=lambda v: v if isinstance(v, str) else "")
def test_a_page_holds_itself_to_its_policy(name: str, body: bytes) -> None:
    """Content Security Policy Level 3: the one inline style by its hash, no script, no attribute that would need more."""
    root = tree(body)
    (style,) = root.by_tag("style")
    digest = base64.b64encode(hashlib.sha256("".join(map(str, style.children)).encode()).digest()).decode()
    policy = html.FORM_POLICY if name == "start" else html.READ_POLICY
    assert f"'sha256-{digest}'" in policy
    (meta,) = [m for m in root.by_tag("meta") if m.attributes.get("http-equiv") == "Content-Security-Policy"]
    assert meta.attributes["content"] == policy
    assert not root.by_tag("script")
    for element in root.walk():
        assert "style" not in element.attributes
        assert not [a for a in element.attributes if a.startswith("on")]
        assert "src" not in element.attributes
        target = element.attributes.get("href", "#")
        assert target.startswith("#") or (
            name in ("start", "formats", "rulebook", "facts") and target.partition("#")[0] in PAGES
        )
        if target.startswith("#") and target != "#":
            root.by_id(target[1:])
    ids = [e.attributes["id"] for e in root.walk() if "id" in e.attributes]
    assert len(ids) == len(set(ids))


def colors(css: str) -> list[tuple[str, tuple[int, int, int]]]:
    return [(m, (int(m[1:3], 16), int(m[3:5], 16), int(m[5:7], 16))) for m in re.findall(r"#[0-9a-f]{6}\b", css)]


def test_nothing_is_shown_green() -> None:
    css = tree(start()).by_tag("style")[0].text()
    assert not re.search(r"\b(green|lime|teal|olive|seagreen|rgb|hsl|oklch)\b", css)
    assert not re.search(r"#[0-9a-fA-F]{3,4}\b(?![0-9a-fA-F])", css)
    for name, (red, green, blue) in colors(css):
        hue, _, saturation = colorsys.rgb_to_hls(red / 255, green / 255, blue / 255)
        assert not (70 <= hue * 360 <= 180 and saturation > 0.05), name
        assert not (green > red and green > blue), name


def luminance(rgb: tuple[int, int, int]) -> float:
    # Relative luminance, WCAG 2.2, section "Terms".
    parts = [c / 12.92 if (c := v / 255) <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for v in rgb]
    return 0.2126 * parts[0] + 0.7152 * parts[1] + 0.0722 * parts[2]


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_colors_of_the_picture_are_far_enough_apart(scheme: str) -> None:
    """WCAG 2.2: 4.5 to 1 for text (1.4.3), 3 to 1 for shapes that carry meaning (1.4.11); a checker does not look into SVG."""
    css = tree(start()).by_tag("style")[0].text()
    blocks = css.split("prefers-color-scheme: dark")
    names: dict[str, tuple[int, int, int]] = {}
    for block in blocks[: 1 if scheme == "light" else 2]:
        for name, value in re.findall(r"--([a-z-]+): (#[0-9a-f]{6})", block[:1600]):
            names[name] = colors(value)[0][1]

    def ratio(one: str, other: str) -> float:
        high, low = sorted((luminance(names[one]), luminance(names[other])), reverse=True)
        return (high + 0.05) / (low + 0.05)

    text = [
        ("ink", "paper"), ("ink", "sheet"), ("ink", "care"), ("ink", "watch"), ("soft", "paper"), ("soft", "sheet"), ("accent", "paper"),
        ("accent", "sheet"), ("critical", "sheet"), ("critical", "paper"), ("critical", "critical-ground"), ("warning", "sheet"), ("warning", "paper"),
        ("warning", "warning-ground"), ("info", "sheet"), ("info", "info-ground"), ("on-solid", "critical"), ("on-solid", "bar"),
        ("on-solid", "police"), ("on-solid", "accent"), ("ink", "critical-ground"), ("ink", "warning-ground"), ("ink", "info-ground"),
        ("soft", "critical-ground"), ("critical", "info-ground"), ("warning", "critical-ground"),
    ]  # fmt: skip
    low = [(a, b, round(ratio(a, b), 2)) for a, b in text if ratio(a, b) < 4.5]
    assert low == []
    shapes = [
        ("bar", "sheet"),
        ("police", "sheet"),
        ("critical", "sheet"),
        ("warning", "sheet"),
        ("info", "sheet"),
        ("soft", "sheet"),
    ]
    assert [(a, b) for a, b in shapes if ratio(a, b) < 3] == []


def test_places_of_other_formats_are_told_in_their_own_language() -> None:
    review = demo_review("night-two-crew-late-sedation")
    places = {"": "Bundle", "/monitoring": "Bundle.entry[4]", "/sedation/doses/0": "Bundle.entry[9].resource"}
    intake = replace(review.intake, language="fhirpath", places=places)
    found = Places(intake)
    entry = {"fhirpath": "Bundle.entry[9].resource", "label": "dose"}
    assert found.pointer(entry) == "/sedation/doses/0"
    assert found.location(entry) == "Bundle.entry[9].resource"
    assert found.describe(entry, Clock(intake.episode)) == "sedation, midazolam (03:02)"
    assert found.describe({"fhirpath": "Bundle", "label": "x"}, Clock(intake.episode)) == "the whole record, x"
