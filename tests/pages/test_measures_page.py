"""The page of measures: what stands on it. ``test_browser.py`` looks at it in a browser."""

from __future__ import annotations

import re
from datetime import date
from typing import Any

import pytest

from service.batch import measures, tally
from service.pages import measured_charts, rate_charts
from service.pages import measures as measures_page
from service.pipeline import Pipeline
from tests.batch.made import line, shifted, some
from tests.support.batch import measured_lines
from tests.support.pages import tree
from tests.support.pipeline import demo


@pytest.fixture(scope="module")
def document(pipeline: Pipeline) -> dict[str, Any]:
    given = [body for body in some(90, bad_every=15) if body.strip()]
    return measured_lines(pipeline, given)


@pytest.fixture(scope="module")
def page(document: dict[str, Any]) -> str:
    return measures_page.render(document).decode()


@pytest.fixture(scope="module")
def year(pipeline: Pipeline) -> dict[str, Any]:
    """In the second half the decision is left out."""
    good = demo("exemplary")
    poor = {key: value for key, value in good.items() if key != "decision"}
    charts = [(shifted(poor if month > 5 else good, 30 * month), n) for month in range(12) for n in range(5)]
    look = measures.Look(marks=((date(2031, 10, 1), "a <new> form"),))
    return measured_lines(pipeline, [line(chart, f"station-{n % 2}") for chart, n in charts], look)


def test_what_stands_on_it(document: dict[str, Any], page: str) -> None:
    root = tree(page.encode())
    ids = {element.attributes["id"] for element in root.walk() if "id" in element.attributes}
    assert ids >= {measure["id"] for measure in document["measures"]}
    links = {a.attributes["href"] for a in root.by_tag("a")}
    assert {link[1:] for link in links if link.startswith("#")} <= ids
    for text in (
        "documentation rate",
        "no rate of safe care",
        "Local protocol and medical direction",
        document["versions"]["ruleset_digest"],
    ):
        assert text.lower() in page.lower()
    assert "<script" not in page
    assert not re.search(r'style="|https?://', page)


def test_the_first_screen_says_what_changed(year: dict[str, Any]) -> None:
    root = tree(measures_page.render(year))
    firsts = root.by_class("firsts")[0]
    lines = [item.text() for item in firsts.by_tag("li")]
    assert len(lines) == len(year["first"]["lines"]) > 0
    for line_, said in zip(
        sorted(year["first"]["lines"], key=lambda each: each["p_value"]), sorted(lines), strict=True
    ):
        assert said
        assert line_["change"] == "worse"
    first = year["first"]["lines"][0]
    parts = [f"({part['numerator']} of {part['denominator']})" for part in first["compared"]]
    assert any(first["title"].rstrip(".") in text and all(part in text for part in parts) for text in lines)
    assert any("RR-1001" in text for text in (first["measure"], *first["also"]))
    assert [h.text() for h in firsts.by_tag("h3")] == [f"Got worse {len(lines)}", "Look at 0", "Got better 0"]
    # Before everything else on the page.
    assert root.text().index("Got worse") < root.text().index("Harm: cases")


def test_rates_say_what_their_titles_say_worst_first(document: dict[str, Any], page: str) -> None:
    root = tree(page.encode())
    by_id = {measure["id"]: measure for measure in document["measures"]}
    for heading, good in (("achieved", "more"), ("wrong", "fewer")):
        section = next(s for s in root.by_tag("section") if s.attributes.get("aria-labelledby") == heading)
        shown = [by_id[row.attributes["id"]] for row in section.by_tag("tr") if "id" in row.attributes]
        assert {measure["good"] for measure in shown} == {good}
        if good == "more":
            ends = [measure["interval_95"]["upper"] for measure in shown]
            assert ends == sorted(ends)
        else:
            order = [(("critical", "warning", "info").index(m["severity"]), -m["interval_95"]["lower"]) for m in shown]
            assert order == sorted(order)
    harm = next(s for s in root.by_tag("section") if s.attributes.get("aria-labelledby") == "harm")
    assert "more days are better" in harm.text()
    assert [row.attributes["id"] for row in harm.by_tag("tr") if "id" in row.attributes][0] in (
        "RR-1158",
        "RR-1352",
        "RR-1460",
        "death",
    )


def test_a_run_chart_marks_what_the_rules_mark(year: dict[str, Any]) -> None:
    root = tree(measures_page.render(year))
    measure = next(m for m in year["measures"] if m["id"] == "RR-1001")
    figure = root.by_id("chart-RR-1001")
    trend = measure["trend"]
    marked = {n for row in (*trend["run"]["shift"], *trend["run"]["trend"]) for n in row} | {
        n for n, p in enumerate(trend["points"]) if p["beyond"]
    }
    assert len(figure.by_tag("rect")) == len(marked)
    assert len(figure.by_tag("circle")) == len(trend["points"]) - len(marked)
    assert len(figure.by_class("changed")) == 1
    assert "Line 1: 2031-10-01, a <new> form." in root.text()


def test_a_t_chart_has_a_mark_for_every_time_between_cases(year: dict[str, Any]) -> None:
    between = {"days": [3, 9, 400, 5], "since": 2, "center": 8.0, "lower": 0.5, "upper": 90.0, "beyond": [2]}
    first = {**year["harm"][0], "title": "<Harm>", "cases": 5, "between": between}
    root = tree(measures_page.render({**year, "harm": [first, *year["harm"][1:]]}))
    (chart,) = [e for e in root.by_tag("svg") if e.attributes["aria-label"] == "t chart, days between cases: <Harm>"]
    assert [(e.tag, e.by_tag("title")[0].text()) for e in chart.walk() if e.tag in ("rect", "circle")] == [
        ("circle", "3 days"), ("circle", "9 days"), ("rect", "400 days"), ("circle", "5 days"),
    ]  # fmt: skip
    heights = {
        e.by_tag("title")[0].text(): float(e.attributes.get("cy", e.attributes.get("y", "0")))
        for e in chart.walk()
        if e.tag in ("rect", "circle")
    }
    assert heights["400 days"] < heights["9 days"] < heights["5 days"] < heights["3 days"]


def test_ways_to_rules_and_to_charts(document: dict[str, Any]) -> None:
    text = measures_page.render(document, "/v1/rules/", "m.charts.html").decode()
    measure = next(
        m for m in document["measures"] if m["kind"] == "rule" and m["numerator"] > 1 and m["severity"] == "warning"
    )
    assert f'href="/v1/rules/{measure["id"]}"' in text
    assert f'href="m.charts.html#{measure["id"]}"' in text
    chart = {
        "file": "a b.ndjson",
        "line": 3,
        "episode_ref": "c-1",
        "day": "2031-01-02",
        "page": "out/pages/a b.ndjson.3.html",
    }
    listed = {measure["id"]: [chart] for measure in document["measures"]}
    root = tree(measured_charts.render(document, listed))
    section = next(s for s in root.by_tag("section") if s.attributes.get("aria-labelledby") == measure["id"])
    assert section.by_tag("a")[0].attributes["href"] == "out/pages/a%20b.ndjson.3.html"
    assert f"and {measure['numerator'] - 1} more chart" in section.text()


def test_a_rate_that_rests_on_few_records_names_the_share(document: dict[str, Any], page: str) -> None:
    greyed = next(m for m in document["measures"] if m["greyed"] and m["kind"] == "published" and m["denominator"])
    row = tree(page.encode()).by_id(greyed["id"])
    assert "grey" in row.classes
    assert f"{rate_charts.percent(greyed['unassessed_share'])} not assessed".replace("\u00a0", " ") in row.text()


def test_the_page_of_a_large_year_stays_small(document: dict[str, Any]) -> None:
    """Not a year of charts, but every measure with the figures of one that has marks: 400 kB is what was promised."""
    assert len(measures_page.render(document)) < 400_000


def test_text_from_outside_is_escaped(document: dict[str, Any]) -> None:
    first = {**document["measures"][0], "title": '<b>"&'}
    text = measures_page.render({**document, "measures": [first, *document["measures"][1:]]}).decode()
    assert "<b>" not in text


def test_the_same_document_gives_the_same_bytes(document: dict[str, Any], page: str) -> None:
    assert measures_page.render(document).decode() == page


def test_nothing_counted_and_too_many_groups(pipeline: Pipeline, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tally, "MOST_GROUPS", 1)
    given = [line(demo("hold-only"), name) for name in ("a", "b")]
    assert "a group must not be a person" in measures_page.render(measured_lines(pipeline, given)).decode()
    assert "0 records" in measures_page.render(measured_lines(pipeline, [])).decode()
