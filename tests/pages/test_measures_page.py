"""The page of measures: what stands on it. ``tests/presentation/test_page_browser.py`` looks at it in a browser."""

from __future__ import annotations

import re
from typing import Any

import pytest

from service.batch import measures
from service.pages import measures as measures_page
from service.pipeline import Pipeline
from tests.batch.made import line, some
from tests.support.pipeline import demo


@pytest.fixture(scope="module")
def document(pipeline: Pipeline) -> dict[str, Any]:
    given = [body for body in some(90, bad_every=15) if body.strip()]
    return measures.measures(pipeline, given)


@pytest.fixture(scope="module")
def page(document: dict[str, Any]) -> str:
    return measures_page.render(document).decode()


def test_what_stands_on_it(document: dict[str, Any], page: str) -> None:
    for measure in document["measures"]:
        assert measure["id"] in page
    for text in (
        "documentation rate",
        "no rate of safe care",
        "Local protocol and medical direction",
        document["versions"]["ruleset_digest"],
    ):
        assert text.lower() in page.lower()
    assert page.count("<svg") > 10
    assert "p-chart:" in page
    assert "Funnel:" in page
    assert "<script" not in page
    assert not re.search(r'style="|https?://', page)


def test_a_rate_that_rests_on_few_records_names_the_share(document: dict[str, Any], page: str) -> None:
    greyed = next(m for m in document["measures"] if m["greyed"] and m["kind"] == "performance")
    entry = page.split(f'id="{greyed["id"]}"')[1].split("</details>")[0]
    assert f"{measures_page.percent(greyed['unassessed_share'])} not assessed" in entry
    assert "<strong>" not in entry.split("</summary>")[0]


def test_text_from_outside_is_escaped(document: dict[str, Any]) -> None:
    first = {**document["measures"][0], "kind": "published", "title": '<b>"&'}
    text = measures_page.render({**document, "measures": [first, *document["measures"][1:]]}).decode()
    assert "<b>" not in text


def test_the_same_document_gives_the_same_bytes(document: dict[str, Any], page: str) -> None:
    assert measures_page.render(document).decode() == page


def test_nothing_counted_and_too_many_groups(pipeline: Pipeline, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(measures, "MOST_GROUPS", 1)
    given = [line(demo("hold-only"), name) for name in ("a", "b")]
    assert "a group must not be a person" in measures_page.render(measures.measures(pipeline, given)).decode()
    assert "0 records" in measures_page.render(measures.measures(pipeline, [])).decode()
