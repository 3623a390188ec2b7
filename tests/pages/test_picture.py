"""The picture: every finding on it or named beside it, gaps where the record has none, limits from the rules, odd times survived."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from service.pages import review as review_page
from service.pages.limits import limits
from tests.support.episodes import clock, dose, drop, exemplary, limb, put, vital
from tests.support.pages import Element, demo_page, demo_review, review_of, shown, tree
from tests.support.pipeline import demo_names, pipeline
from tests.support.reviews import instances


def drawings(root: Element) -> list[Element]:
    found = root.by_class("picture")
    assert [sorted(drawing.classes - {"picture"}) for drawing in found] == [["wide"], ["narrow"]]
    return found


def rows(root: Element) -> list[tuple[str, ...]]:
    (table,) = root.by_id("after-picture").by_tag("table")
    return [tuple(cell.text() for cell in row.by_tag("td")) for row in table.by_tag("tr")[1:]]


@pytest.mark.parametrize("name", demo_names())
def test_every_finding_is_marked_or_said_to_have_no_place_in_time(name: str) -> None:
    root = tree(demo_page(name))
    (caption,) = root.by_tag("figcaption")
    aside = {int(a.text()) for a in caption.by_tag("a")}
    every = set(range(1, len(instances(demo_review(name).document)) + 1))
    for svg in drawings(root):
        marks = svg.by_class("mark")
        numbers = {int(m.attributes["href"].removeprefix("#f")) for m in marks}
        assert len(numbers) == len(marks)
        assert numbers | aside == every
        assert not numbers & aside
        for mark in marks:
            assert mark.attributes["aria-label"].startswith(f"Finding {mark.attributes['href'].removeprefix('#f')}, ")


def test_a_mark_shows_severity_and_basis() -> None:
    findings = demo_review("everything-wrong").document["findings"]
    titles = {(f["title"], f["severity"], f["category"] == "completeness") for f in findings}
    for svg in drawings(tree(demo_page("everything-wrong"))):
        for mark in svg.by_class("mark"):
            severity = (mark.classes & {"critical", "warning", "info"}).pop()
            title = mark.attributes["aria-label"].split(": ", 1)[1]
            assert (title, severity, "absent" in mark.classes) in titles


def test_gaps_over_the_limit_say_no_entry_and_nothing_else() -> None:
    root = tree(demo_page("night-two-crew-late-sedation"))
    gaps = [row for row in rows(root) if row[2] == "no entry"]
    # Four limbs: the first check after 8 to 11 min (limit 5), then 18 min between two (limit 15).
    limbs = [row for row in gaps if row[1].endswith(("arm", "leg"))]
    assert sorted(row[0] for row in limbs if row[1] == "Right arm") == ["02:38 to 02:49", "03:02 to 03:20"]
    assert len(limbs) == 8
    for svg in drawings(root):
        assert len(svg.by_class("gap")) == len(gaps)
        assert {t.text() for t in svg.by_class("gap-text")} <= {"no entry", "no entry 18 min"}
    assert "not done" not in " ".join(svg.text() for svg in drawings(root))


def test_a_well_kept_record_shows_no_gap() -> None:
    root = tree(demo_page("exemplary"))
    assert not [g for svg in drawings(root) for g in svg.by_class("gap") + svg.by_class("mark")]


def test_a_limb_without_any_check_is_one_gap_unless_the_sender_has_no_place_for_checks() -> None:
    document = exemplary()
    drop(document, "/monitoring/limb_checks")
    _, root = shown(document)
    gaps = [r for r in rows(root) if r[2] == "no entry" and r[1].endswith(("arm", "leg"))]
    # Four straps, and before them the police cuffs on both arms.
    assert sorted(r[0] for r in gaps if r[1] == "Left arm") == ["18:02 to 18:04", "18:14 to 18:48"]
    assert len(gaps) == 6
    document["not_collected"] = ["/monitoring/limb_checks"]
    _, root = shown(document)
    assert not [r for r in rows(root) if r[2] == "no entry" and r[1].endswith(("arm", "leg"))]


def test_lanes_say_what_is_not_there() -> None:
    document = exemplary()
    drop(document, "/custody")
    put(document, "/sedation", {"none": True})
    drop(document, "/monitoring/observation")
    document["not_collected"] = ["/monitoring/observation"]
    _, root = shown(document)
    text = drawings(root)[0].text()
    assert "no entry" in text
    assert "no dose charted" in text
    assert "the charting system cannot hold it" in text


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
    (caption,) = root.by_tag("figcaption")
    assert "1 charted time lies outside the time drawn" in caption.text()
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
    assert "it uses more than one" in root.text()
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


def test_marks_keep_their_distance() -> None:
    """WCAG 2.2, 2.5.8: targets at least 24 by 24; here each has its own share of the page and none overlaps."""
    for drawing in drawings(tree(demo_page("everything-wrong"))):
        assert drawing.by_class("reach")
        for lane in drawing.by_tag("svg"):
            *_, width, height = map(float, lane.attributes["viewbox"].split())
            boxes = [
                tuple(float(r.attributes[k]) for k in ("x", "y", "width", "height")) for r in lane.by_class("reach")
            ]
            for i, (x, y, w, h) in enumerate(boxes):
                assert w >= 24
                assert h >= 24
                # Inside its own lane, so that it meets none of another.
                assert 0 <= x <= width - w + 0.11
                assert 0 <= y <= height - h
                for a, b, c, d in boxes[:i]:
                    assert x >= a + c - 0.11 or a >= x + w - 0.11 or y >= b + d - 0.11 or b >= y + h - 0.11


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
