"""The picture: every finding on it or named beside it, gaps where the record has none, limits from the rules, odd times survived."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from lxml import etree

from service.pages import review as review_page
from service.pages.limits import limits
from tests.support.episodes import clock, dose, drop, exemplary, limb, many_dangers, put, small, vital
from tests.support.pages import Element, demo_page, demo_review, review_of, shown, tree
from tests.support.pipeline import demo_names, pipeline
from tests.support.reviews import instances


def drawings(root: Element) -> list[Element]:
    found = [each for each in root.by_class("picture") if each.classes & {"w", "n"}]
    assert [sorted(drawing.classes - {"picture"}) for drawing in found] == [["w"], ["n"]]
    return found


def rows(root: Element) -> list[tuple[str, str, str]]:
    """(time, lane, what) of everything in the table."""
    (table,) = root.by_id("rr-after-picture").by_tag("table")
    out = []
    for row in table.by_tag("tr")[1:]:
        time, said = (cell.text() for cell in row.by_tag("td"))
        for each in said.split("; "):
            lane, _, what = each.partition(": ")
            out.append((time, lane, what))
    return out


@pytest.mark.parametrize("name", demo_names())
def test_every_finding_is_marked_once_or_counted_as_without_a_place_in_time(name: str) -> None:
    root = tree(demo_page(name))
    found = instances(demo_review(name).document)
    (figure,) = root.by_tag("figure")
    aside = re.search(r"(\d+) findings? ha(s|ve) no place in time", figure.text())
    for svg in drawings(root):
        marks = svg.by_class("mark")
        targets = [m.attributes["href"] for m in marks]
        assert len(set(targets)) == len(targets) == len(found) - (int(aside[1]) if aside else 0)
        assert set(targets) <= {f"#rr-{one['fingerprint'].replace(':', '-')}" for one in found}
        for mark in marks:
            number = mark.by_tag("text")[0].text()
            assert mark.attributes["aria-label"].startswith(f"Finding {number}, ")
            assert root.by_id(mark.attributes["href"][1:]).by_class("number")[0].text() in (
                number,
                f"{number}–{number}",
            ) or (number in root.by_id(mark.attributes["href"][1:]).text())


def test_a_mark_shows_severity_and_basis() -> None:
    findings = demo_review("everything-wrong").document["findings"]
    titles = {(f["title"], f["severity"], f["category"] == "completeness") for f in findings}
    for svg in drawings(tree(demo_page("everything-wrong"))):
        for mark in svg.by_class("mark"):
            severity = (mark.classes & {"critical", "warning", "info"}).pop()
            title = mark.attributes["aria-label"].split(": ", 1)[1]
            assert (title, severity, "absent" in mark.classes) in titles


def test_gaps_over_the_limit_say_what_is_not_charted_and_nothing_else() -> None:
    root = tree(demo_page("night-two-crew-late-sedation"))
    gaps = [row for row in rows(root) if re.match("no .* charted, ", row[2])]
    # Four limbs: the first check after 8 to 11 min (limit 5), then 18 min between two (limit 15).
    limbs = [row for row in gaps if row[1].endswith(("arm", "leg"))]
    right = sorted((row[0], row[2]) for row in limbs if row[1] == "Right arm")
    assert right == [("02:38 to 02:49", "no check charted, 11 min"), ("03:02 to 03:20", "no check charted, 18 min")]
    assert len(limbs) == 8
    for svg in drawings(root):
        assert len(svg.by_class("gap")) == len(gaps)
    assert "not done" not in " ".join(svg.text() for svg in drawings(root))


def test_a_well_kept_record_shows_no_gap() -> None:
    root = tree(demo_page("exemplary"))
    assert not [g for svg in drawings(root) for g in svg.by_class("gap") + svg.by_class("mark")]


def test_a_stretch_is_a_gap_only_where_a_finding_says_so() -> None:
    document = exemplary()
    drop(document, "/monitoring/limb_checks")
    review, root = shown(document)
    asked = [one for one in instances(review.document) if one["rule"]["id"] in ("RR-1301", "RR-1304")]
    gaps = [r for r in rows(root) if "no check charted" in r[2]]
    assert len(gaps) <= len([one for one in asked if one["span"]])
    document["not_collected"] = ["/monitoring/limb_checks"]
    _, root = shown(document)
    assert not [r for r in rows(root) if "no check charted" in r[2]]
    # A strap of 2 min is under every limit, whether it was checked or not.
    _, root = shown(small(limbs=[limb(on=0, off=2)], handover=20))
    assert ("18:00 to 18:02", "Left arm", "restrained") in rows(root)
    assert not [r for r in rows(root) if "no check charted" in r[2]]


def test_lanes_say_what_is_not_there() -> None:
    document = exemplary()
    drop(document, "/custody")
    put(document, "/sedation", {"none": True})
    drop(document, "/monitoring/observation")
    document["not_collected"] = ["/monitoring/observation"]
    _, root = shown(document)
    text = drawings(root)[0].text()
    assert "No entry: custody." in text
    assert "No dose charted: sedation." in text
    assert "The charting system cannot hold it: observation." in text


def test_the_table_holds_what_the_picture_shows() -> None:
    root = tree(demo_page("night-two-crew-late-sedation"))
    said = rows(root)
    for expected in (
        ("03:02", "Sedation", "midazolam 5 mg IM"),
        ("02:31 to 03:41", "Posture", "semi fowler 30°"),
        ("02:38 to 03:41", "Right arm", "restrained"),
        ("03:41", "Transport and handover", "transfer of care"),
        ("02:10 to 02:50", "Custody", "officers present"),
        ("02:43 to 03:41", "Belts", "hips"),
    ):
        assert expected in said
    assert [r for r in said if r[1] == "SpO2" and r[2] == "97 %"]


def test_times_run_over_midnight_and_a_slip_of_the_year_does_not_squash_the_picture() -> None:
    document = {
        "episode_ref": "e1",
        "application": {"limbs": [limb(on=0, off=60)]},
        "monitoring": {"vitals": [vital(m, spo2=97) for m in range(0, 60, 10)]},
    }
    document["monitoring"]["vitals"].append({"time": "2036-04-12T18:30:00-06:00", "spo2": 96})  # type: ignore[index]
    _, root = shown(document)
    assert "1 charted time lies outside the time drawn" in root.by_tag("figure")[0].text()
    late = {"episode_ref": "e2", "application": {"limbs": [limb(on=330, off=359)]}, "sedation": {"doses": [dose(355)]}}
    late["sedation"]["doses"].append(dose(0) | {"time": "2031-04-13T00:10:00-06:00"})  # type: ignore[index]
    _, root = shown(late)
    assert ("2031-04-13 00:10", "Sedation", "midazolam 5 mg IM") in rows(root)


def test_a_record_without_times_says_so() -> None:
    _, root = shown({"episode_ref": "e1"})
    assert not root.by_tag("svg")
    assert "No time is charted that could be drawn." in root.text()


def test_two_offsets_are_shown_in_the_first_and_said() -> None:
    document = {
        "episode_ref": "e1",
        "application": {"limbs": [limb(on=0, off=30)]},
        "sedation": {"doses": [dose(0) | {"time": clock(70, "-05:00")}]},
    }
    _, root = shown(document)
    assert "its first offset of several" in root.text()
    assert ("18:10", "Sedation", "midazolam 5 mg IM") in rows(root)


def limit_values(patient: dict[str, object]) -> dict[tuple[str, bool], list[float]]:
    document = exemplary()
    document["patient"] = document["patient"] | patient
    review = review_of(document)
    out: dict[tuple[str, bool], list[float]] = {}
    for limit in limits(pipeline().rulebook, review.document, review.sheet.facts[0]):
        out.setdefault((limit.member, limit.low), []).append(limit.value)
    return out


def test_bands_are_the_limits_of_the_rules_for_this_patient() -> None:
    """Numbers: NEWS2 chart 1 (Royal College of Physicians 2017) for RR 8, 12, 25, HR 40, 131, scale 2 SpO2 84; the
    Massachusetts and Rhode Island protocols for SpO2 90 and 94, EtCO2 45; as the rules themselves cite them."""
    adult = limit_values({"age": {"value": 40, "unit": "a"}})
    assert adult["spo2", True][:2] == [94, 90]
    assert adult["rr", True] == [12, 8]
    assert adult["rr", False] == [25]
    assert adult["hr", False] == [131]
    assert adult["etco2_mmhg", False] == [45, 50]
    assert adult["etco2_mmhg", True] == [30]
    scale2 = limit_values({"age": {"value": 70, "unit": "a"}, "oxygen_target": "88-92", "conditions": ["copd"]})
    assert 94 not in scale2["spo2", True]
    assert 84 in scale2["spo2", True]
    child = limit_values({"age": {"value": 9, "unit": "a"}})
    assert ("rr", False) not in child
    assert ("hr", False) not in child
    assert child["etco2_mmhg", False] == [50]


def test_a_rule_that_is_off_sets_no_limit() -> None:
    slow = {r.id for r in pipeline().rulebook.rules if r.about == "event" and "etco2_low" in str(r.applies_when)}
    review = review_of(exemplary())
    every = limits(pipeline().rulebook, review.document, review.sheet.facts[0])
    left = limits(
        pipeline().rulebook, review.document | {"off": [{"rule": each} for each in slow]}, review.sheet.facts[0]
    )
    gone = [limit for limit in every if limit not in left]
    assert [(limit.member, limit.low, limit.value) for limit in gone] == [("etco2_mmhg", True, 30)]


def test_a_drawing_holds_no_number_that_is_not_one() -> None:
    for svg in drawings(tree(demo_page("everything-wrong"))):
        for element in svg.walk():
            for name in ("x", "y", "width", "height", "cx", "cy", "r", "d"):
                assert not re.search(r"nan|inf|e-", element.attributes.get(name, ""), re.I)
            if element.tag == "rect":
                assert float(element.attributes["width"]) > 0
                assert float(element.attributes["height"]) > 0


#: The narrowest page on which each drawing is shown, less the margins of the page, in CSS pixels.
NARROWEST = {"w": 600 - 29, "n": 320 - 29}


def test_marks_keep_their_distance() -> None:
    """WCAG 2.2, 2.5.8: circles of 24 pixels around the middle of each target meet no other, at the narrowest page."""
    for drawing in drawings(tree(demo_page("everything-wrong"))):
        (key,) = drawing.classes & {"w", "n"}
        for lane in drawing.by_tag("svg"):
            *_, width, height = map(float, lane.attributes["viewbox"].split())
            scale = NARROWEST[key] / width
            middles = []
            for mark in lane.by_class("mark"):
                (number,) = mark.by_tag("text")
                middles.append((float(number.attributes["x"]), float(number.attributes["y"]) - 4.5))
            for i, (x, y) in enumerate(middles):
                assert 0 <= x <= width
                assert 0 <= y <= height
                for a, b in middles[:i]:
                    # Half a pixel for the rounding of where numbers are written.
                    assert max(abs(x - a), abs(y - b)) * scale >= 24 - 0.9


def test_a_lane_with_findings_has_a_name_and_the_others_are_left_to_the_table() -> None:
    for drawing in drawings(tree(demo_page("night-two-crew-late-sedation"))):
        for lane in drawing.by_tag("svg"):
            if lane.by_class("mark"):
                assert lane.attributes["aria-label"] in lane.text()
                assert "aria-hidden" not in lane.attributes
            else:
                assert lane.attributes["aria-hidden"] == "true"


def test_a_finding_of_a_late_first_check_stands_where_the_wait_began() -> None:
    review = demo_review("night-two-crew-late-sedation")
    root = tree(demo_page("night-two-crew-late-sedation"))
    label = "The first check of a limb came late"
    assert [f for f in review.document["findings"] if f["title"] == label]
    times = {
        m.attributes["aria-label"].split(": ")[0].rsplit(", ", 1)[1]
        for m in drawings(root)[0].by_class("mark")
        if label in m.attributes["aria-label"]
    }
    assert times == {"02:38", "02:39", "02:40", "02:41"}


def test_the_picture_judges_nothing_itself() -> None:
    """A finding taken out of the review takes its colors with it."""
    review = demo_review("found-prone-handcuffs-key-away")
    bare = replace(review, document=review.document | {"findings": []})
    root = tree(review_page.render(bare, pipeline().rulebook))
    colored = [
        e
        for svg in drawings(root)
        for e in svg.walk()
        if e.classes & {"bar", "dot", "tick"} and e.classes & {"critical", "warning", "info"}
    ]
    assert colored == []


def test_the_legend_stands_above_and_tells_every_shape_that_is_drawn() -> None:
    for name in ("everything-wrong", "exemplary", "night-two-crew-late-sedation"):
        root = tree(demo_page(name))
        (figure,) = root.by_tag("figure")
        kinds = [child for child in figure.children if isinstance(child, Element)]
        assert kinds[0].tag == "figcaption"
        swatches = figure.by_class("legend")[0].by_tag("li")
        assert all(len(item.text()) > 4 for item in swatches)

        def known(element: Element) -> frozenset[str]:
            apart = {
                "bar",
                "gap",
                "mark",
                "own",
                "police",
                "care",
                "watch",
                "dot",
                "hollow",
                "bracket",
                "bp",
                "lost",
                "open",
                "absent",
            }
            return frozenset(element.classes & apart) | frozenset(
                element.classes & {"critical", "warning"} if "dot" in element.classes else ()
            )

        told = {known(e) - {"absent"} for item in swatches for e in item.walk()} | {
            known(e) for item in swatches for e in item.walk()
        }
        for drawing in drawings(root):
            for element in drawing.walk():
                if element.tag in ("rect", "path", "circle", "a") and known(element):
                    shape = known(element) - ({"absent"} if "mark" in element.classes else set())
                    assert any(shape <= each for each in told), shape


def test_the_picture_stands_alone_as_an_svg() -> None:
    review = review_of(many_dangers())
    body = review_page.render(review, pipeline().rulebook, view=review_page.View(part="picture"))
    root = etree.fromstring(body)
    assert root.tag == "{http://www.w3.org/2000/svg}svg"
    assert root.get("viewBox") == f"0 0 {root.get('width')} {root.get('height')}"
    assert not root.findall(".//{*}a")
    assert not root.findall(".//{*}script")
    marks = [
        e
        for e in root.iter()
        if isinstance(e.tag, str) and "mark" in (e.get("class") or "").split() and e.find("{*}title") is not None
    ]
    assert len(marks) == len(drawings(tree(review_page.render(review, pipeline().rulebook)))[0].by_class("mark"))
    ids = [e.get("id") for e in root.iter() if e.get("id")]
    assert all(each.startswith("rr-") for each in ids)
    assert {e.get("href") for e in root.iter("{*}use")} <= {f"#{each}" for each in ids}
