"""The review page says what the review says: every finding, every rule, nothing of the caller's own text, nothing green."""

from __future__ import annotations

import base64
import colorsys
import hashlib
import re
from collections.abc import Iterator
from dataclasses import replace
from urllib.parse import quote

import pytest

from service.pages import html
from service.pages import review as review_page
from service.pages.drawing import pin_shape
from service.wording.clock import Clock
from service.wording.headings import sentence
from service.wording.places import Places
from service.wording.words import word
from tests.support.episodes import exemplary, put
from tests.support.pages import (
    Element,
    demo_page,
    demo_review,
    demo_whole_page,
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
#: And where a finding leads to its rule.
RULE = re.compile(r"/v1/rules/RR-[0-9]{4}")
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
            # Of several instances with words of their own, the row shows the worst.
            assert " ".join(said.split()) in text
        assert finding["severity"] in shown.article.classes
        places = [e.attributes["data-pointer"] for e in shown.spot.all(lambda e: "data-pointer" in e.attributes)]
        for place in finding["pointers"]:
            assert place.get("missing", place["pointer"]) in places
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
    assert f"{first}–{last}" in article.by_tag("summary")[0].text()
    assert article.text().count(holes[0]["remediation"]) == 1
    for each, finding in zip(together, holes, strict=True):
        assert finding["message"] in each.spot.text()
        assert "03:02 to 03:20" in each.spot.text()


def folded(root: Element, inside: bool = False) -> Iterator[tuple[Element, bool]]:
    """Every element, and whether it has to be opened to be read."""
    for child in root.children:
        if isinstance(child, Element):
            here = inside and child.tag != "summary"
            yield child, here
            yield from folded(child, here or child.tag == "details")


def test_a_critical_finding_is_never_folded_and_severity_comes_before_phase() -> None:
    document = demo_review("everything-wrong").document
    by_print = {one["fingerprint"]: one for one in instances(document)}
    root = tree(demo_page("everything-wrong"))
    open_prints = {
        e.attributes["data-fingerprint"]
        for e, hidden in folded(root)
        if "data-fingerprint" in e.attributes and not hidden
    }
    critical = {mark for mark, one in by_print.items() if one["severity"] == "critical"}
    assert critical <= open_prints
    for message in {by_print[mark]["remediation"] for mark in critical}:
        assert any(
            " ".join(message.split()) in e.text() for e, hidden in folded(root) if not hidden and "act" in e.classes
        )
    rank = ("critical", "warning", "info").index
    reviewer = findings_of(root.by_id("rr-reviewer"))
    ranks = [rank(by_print[each.fingerprint]["severity"]) for each in reviewer]
    assert ranks == sorted(ranks)


def test_the_author_gets_a_checklist_by_section_of_the_record() -> None:
    document = demo_review("everything-wrong").document
    part = tree(demo_page("everything-wrong")).by_id("rr-author")
    rows = part.by_class("ask")
    asked = [f for f in document["findings"] if f["handled_by"] == "author" and f["severity"] != "critical"]
    assert len(rows) == len(asked) > 40
    assert all(row.by_class("box") for row in rows)
    said = {" ".join(f["message"].split()) for f in asked}
    assert all(any(each in row.by_tag("summary")[0].text() for each in said) for row in rows)
    sections = [heading.text() for heading in part.by_class("section")]
    order = ["", "Decision", "Team", "Stretcher", "Application", "Postures", "Sedation", "Monitoring", "Reassessments", "Custody",
             "Transport", "Handover", "Injuries", "Narrative", "Chart"]  # fmt: skip
    assert sections == [each for each in order if each in sections]
    assert len(set(sections)) == len(sections)


@pytest.mark.parametrize("name", demo_names())
def test_every_rule_is_accounted_for(name: str) -> None:
    document = demo_review(name).document
    text = tree(demo_whole_page(name)).text()
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
    assert head.text() == f"Review of {document['episode_ref']}"
    text = root.text()
    for said in (
        document["versions"]["ruleset"],
        document["versions"]["profile"],
        "UTC-06:00",
        "2031-05-03",
        *document["cautions"],
    ):
        assert said in text
    assert "no rule switched off" in text
    assert len(root.by_class("masthead")[0].text()) < 140
    for value in document["versions"].values():
        assert value in text


def test_what_to_tell_now_stands_before_everything_else() -> None:
    body = demo_page("everything-wrong").decode()
    document = demo_review("everything-wrong").document
    root = tree(body.encode())
    (box,) = root.by_class("tell-now")
    lines = document["tell_now"]
    items = box.by_class("line")
    assert len(items) == len(lines) > 30
    for item, line in zip(items, lines, strict=True):
        assert item.text() == " ".join(line["text"].split())
        # The fact stands first, with its value and time, and nothing of it is folded.
        assert item.by_class("fact")[0].text() == " ".join(line["text"].split(". ")[0].split()).rstrip(".") + "."
    assert not box.by_tag("details")
    concerns = [e.text() for e in box.by_class("concern") if e.text()]
    assert concerns == list(dict.fromkeys(sentence(word(line["concern"])) for line in lines))
    assert document["patient"]["text"] in box.text()
    assert body.index('class="tell-now"') < body.index("For the reviewer") < body.index("<svg")
    assert not tree(demo_page("exemplary")).by_class("tell-now")


def test_where_the_patient_is_is_told_once_with_its_time() -> None:
    root = tree(demo_page("found-prone-handcuffs-key-away"))
    assert (
        root.by_class("patient")[0].text()
        == "Care has passed on at 17:19. Tell the receiving clinician now what is shown here."
    )
    assert root.text().count("Care has passed on") == 1


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
    chosen = instances(plain)[-1]
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


def test_the_same_review_gives_the_same_bytes() -> None:
    name = "everything-wrong"
    assert review_page.render(review_of(demo(name)), pipeline().rulebook) == demo_page(name)


@pytest.mark.parametrize(("name", "body"), every_page(), ids=lambda v: v if isinstance(v, str) else "")
def test_a_page_holds_itself_to_its_policy(name: str, body: bytes) -> None:
    """Content Security Policy Level 3: the one inline style by its hash, no script, no attribute that would need more."""
    root = tree(body)
    (style,) = root.by_tag("style")
    digest = base64.b64encode(hashlib.sha256("".join(map(str, style.children)).encode()).digest()).decode()
    policy = {
        "start": html.FORM_POLICY,
        "rulebook": html.FORM_POLICY,
        "formats": html.READ_POLICY,
        "facts": html.READ_POLICY,
    }.get(name, html.REVIEW_POLICY)
    assert f"'sha256-{digest}'" in policy
    (meta,) = [m for m in root.by_tag("meta") if m.attributes.get("http-equiv") == "Content-Security-Policy"]
    assert meta.attributes["content"] == policy
    assert not root.by_tag("script")
    for element in root.walk():
        assert "style" not in element.attributes
        assert not [a for a in element.attributes if a.startswith("on")]
        assert "src" not in element.attributes
        target = element.attributes.get("href", "#")
        home = target.partition("?section=")[0] if name == "formats" else target.partition("#")[0]
        home = home if home in PAGES else target[: len("/v1/rules")]
        known = name in ("start", "formats", "rulebook", "facts") and {target, home} & set(PAGES)
        assert target.startswith("#") or known or RULE.fullmatch(target), target
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
        for name, value in re.findall(r"--([a-z-]+): (#[0-9a-f]{6})", block.split("@media")[0]):
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
    # In shades of grey too, bars of different kinds are apart: two by their lightness, the others by a pattern of their own.
    assert ratio("bar", "care") >= 3
    review = html.REVIEW_STYLE
    for kind in ("police", "watch", "gap"):
        assert f".picture .{kind} {{ fill: url(#rr-{kind});" in review
        assert f'id="rr-{kind}"' in demo_page("exemplary").decode()
    # Severity is told by a shape: the mark of each, and what it points at, are drawn by another outline.
    outlines = {pin_shape(severity, 0, 0, 29, 22) for severity in ("critical", "warning", "info")}
    assert len(outlines) == 3


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


# ------------------------------------------------------------ parts, links, order


@pytest.mark.parametrize("part", ["tell-now", "findings"])
def test_a_part_brings_its_own_style_and_meets_nothing_of_the_host(part: review_page.Part) -> None:
    review, root = shown(demo("everything-wrong"), part=part)
    (outer,) = [child for child in root.children if isinstance(child, Element)]
    assert outer.classes == {"restraint-review"}
    css = outer.by_tag("style")[0].text()
    # Every rule stands under the one class; the host keeps its own.
    depth = 0
    for selector in re.findall(r"([^{}]*)([{}])", css):
        if depth == 0 and selector[1] == "{":
            assert selector[0].startswith((".restraint-review", "@media")), selector[0]
        depth += 1 if selector[1] == "{" else -1
    # Two parts, and parts of two charts, may stand in one page: no id but those of findings.
    ids = {e.attributes["id"] for e in root.walk() if "id" in e.attributes}
    marks = {f"rr-{one['fingerprint'].replace(':', '-')}" for one in instances(review.document)}
    assert ids == (marks if part == "findings" else set())
    for link in root.by_tag("a"):
        root.by_id(link.attributes["href"].removeprefix("#"))
    text = root.text()
    if part == "tell-now":
        assert all(" ".join(line["text"].split()) in text for line in review.document["tell_now"])
    else:
        prints = {e.attributes.get("data-fingerprint") for e in root.walk()}
        assert {one["fingerprint"] for one in instances(review.document)} <= prints
    digest = base64.b64encode(hashlib.sha256(css.encode()).digest()).decode()
    assert f"'sha256-{digest}'" in html.REVIEW_POLICY


def test_a_part_without_anything_in_it_says_so() -> None:
    _, root = shown(exemplary(), part="tell-now")
    assert "No critical finding stands." in root.text()


def test_places_link_into_the_hosts_own_form() -> None:
    link = "https://host.example/{episode_ref}?at={pointer}&item={item}"
    document = demo("night-two-crew-late-sedation")
    review, root = shown(document, link=link)
    wanted = {
        f"https://host.example/{document['episode_ref']}?at={quote(p.get('missing', p['pointer']), safe='')}&item={quote(p.get('item', ''), safe='')}"
        for one in instances(review.document)
        for p in one["pointers"]
    }
    found = {a.attributes["href"] for a in root.by_tag("a") if "data-pointer" in a.attributes}
    assert found == wanted
    assert {a.attributes["target"] for a in root.by_tag("a") if "data-pointer" in a.attributes} == {"_top"}


def test_an_author_who_asks_comes_first() -> None:
    _, root = shown(demo("everything-wrong"), first="author")
    ids = [e.attributes["id"] for e in root.walk() if "id" in e.attributes]
    assert ids.index("rr-tell-now") < ids.index("rr-author") < ids.index("rr-picture") < ids.index("rr-reviewer")
    assert len(findings_of(root)) == len(findings_of(tree(demo_page("everything-wrong"))))


def test_an_ordinary_page_is_at_most_80_kb() -> None:
    """The rest of the demo holds more findings than an ordinary chart."""
    sizes = {name: len(demo_page(name)) for name in demo_names()}
    large = {name: size for name, size in sizes.items() if size > 80_000}
    assert set(large) == {"everything-wrong", "night-two-crew-late-sedation"}


def test_a_time_leads_to_its_place_in_the_picture_and_back() -> None:
    root = tree(demo_page("night-two-crew-late-sedation"))
    pins = [pin for pin in root.by_class("mark") if "id" in pin.attributes]
    assert len(pins) > 5
    for pin in pins:
        back = [a for a in root.by_tag("a") if a.attributes.get("href") == f"#{pin.attributes['id']}"]
        assert back
        assert root.by_id(pin.attributes["href"].removeprefix("#"))
        assert all(len(a.text()) > 10 for a in back)
