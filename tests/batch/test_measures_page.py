"""The page of measures: what stands on it, and that a browser and axe-core have nothing to say about it."""

from __future__ import annotations

import os
import re
import shutil
from typing import Any

import pytest

from service.batch import measures
from service.pipeline import Pipeline
from service.presentation import measures_page
from tests.batch.made import line, some
from tests.support.pipeline import demo

CHROMIUM = os.environ.get("CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser")
#: Quiet, and no service of the browser's own.
FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
ADDRESS = "http://measures.invalid/"


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


@pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine (apt-get install chromium)")
def test_a_browser_has_nothing_to_say(page: str) -> None:
    sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    axe_api = pytest.importorskip("axe_playwright_python.sync_playwright", reason="axe-core is not installed")
    headers = {"Content-Type": measures_page.MEDIA_TYPE, "Content-Security-Policy": measures_page.POLICY}
    with sync_api.sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        for scheme in ("light", "dark"):
            for width in (1200, 320):
                said: list[str] = []
                asked: list[str] = []
                tab = browser.new_context(viewport={"width": width, "height": 900}, color_scheme=scheme).new_page()
                tab.on("console", lambda message, said=said: said.append(message.text))
                tab.on("request", lambda request, asked=asked: asked.append(request.url))
                tab.route("**/*", lambda route: route.fulfill(body=page, headers=headers))
                tab.goto(ADDRESS, wait_until="load")
                assert (said, asked) == ([], [ADDRESS])
                for each in tab.query_selector_all("details")[:12]:
                    each.evaluate("d => { d.open = true }")
                assert tab.evaluate("document.documentElement.scrollWidth") <= width
                found = axe_api.Axe().run(tab, options={"runOnly": TAGS}).response["violations"]
                assert [(entry["id"], entry["nodes"][0]["html"]) for entry in found] == []
                tab.close()
        browser.close()
