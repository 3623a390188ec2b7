"""A real browser opens every page: no console message, no request but the page's own, no violation of WCAG 2.2 AA
in either color scheme (axe-core), no sideways scroll at 320 pixels (WCAG 2.2, 1.4.10), folded text found and printed."""

from __future__ import annotations

import os
import shutil
import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

import pytest

from service.presentation import formats_page, page, rulebook_page, start_page
from tests.support.pages import DEMOS, FORMATS, demo_page, formats, rulebook, start
from tests.support.pipeline import pipeline

sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed (pip install playwright)")
axe_api = pytest.importorskip(
    "axe_playwright_python.sync_playwright", reason="axe-core is not installed (pip install axe-playwright-python)"
)

CHROMIUM = os.environ.get("CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser")
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine (apt-get install chromium)")

#: Quiet, and no service of the browser's own.
FLAGS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
]  # fmt: skip
TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
REVIEWS = ("exemplary", "night-two-crew-late-sedation", "found-prone-handcuffs-key-away", "everything-wrong")
LARGE = ("rulebook", "everything-wrong")
PAGES = ("start", "start-refused", "rulebook", "formats", *REVIEWS)


def content(name: str) -> tuple[bytes, str] | None:
    if name == "start":
        return start(), start_page.POLICY
    if name == "start-refused":
        wrong = start_page.Wrong("The body is no episode.", [("/patient/age", "Give a whole number.")])
        return start_page.render(pipeline().rulebook, DEMOS, FORMATS, "default", wrong), start_page.POLICY
    if name == "formats":
        return formats(), formats_page.POLICY
    if name == "rulebook":
        return rulebook(), rulebook_page.POLICY
    return (demo_page(name), page.POLICY) if name in REVIEWS else None


class Handler(BaseHTTPRequestHandler):
    def do_GET(self) -> None:
        found = content(self.path.strip("/"))
        self.send_response(404 if found is None else 200)
        body, policy = found or (b"", "default-src 'none'")
        self.send_header("Content-Type", page.MEDIA_TYPE)
        self.send_header("Content-Security-Policy", policy)
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, format: str, *args: object) -> None:
        pass


@pytest.fixture(scope="module")
def address() -> Iterator[str]:
    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    yield f"http://127.0.0.1:{server.server_address[1]}"
    server.shutdown()
    thread.join()
    server.server_close()


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with sync_api.sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield started
        started.close()


def opened(browser: Any, address: str, name: str, width: int, scheme: str) -> tuple[Any, list[str], list[str]]:
    """(page, what stood on the console, what was asked for); nothing but the page's own address is let through."""
    said: list[str] = []
    asked: list[str] = []
    context = browser.new_context(viewport={"width": width, "height": 900}, color_scheme=scheme)
    tab = context.new_page()
    tab.on("console", lambda message: said.append(message.text))
    tab.on("pageerror", lambda error: said.append(str(error)))
    tab.on("request", lambda request: asked.append(request.url))
    tab.route("**/*", lambda route: route.continue_() if route.request.url.startswith(address) else route.abort())
    tab.goto(f"{address}/{name}", wait_until="load")
    return tab, said, asked


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("name", PAGES)
def test_a_page_is_quiet_alone_and_accessible(browser: Any, address: str, name: str, scheme: str) -> None:
    for width in (1200, 320):
        tab, said, asked = opened(browser, address, name, width, scheme)
        sideways = "[document.documentElement.scrollWidth, ...[...document.querySelectorAll('*')].map(e => Math.ceil(e.getBoundingClientRect().right))]"
        widest = max(tab.evaluate(f"{sideways}.filter(x => x <= 100000)"))
        assert tab.evaluate("document.documentElement.scrollWidth") <= width
        assert widest <= width + 1
        if name not in LARGE:
            # What is folded has to be held to the same standard.
            tab.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
            assert tab.evaluate("document.documentElement.scrollWidth") <= width
        # The two largest pages are made of the same parts as the others: one look at them is enough. What a narrow
        # page does to targets and order does not depend on the colors.
        if (width, scheme) == (1200, "dark") or (name not in LARGE and (width == 1200 or scheme == "light")):
            found = axe_api.Axe().run(tab, options={"runOnly": {"type": "tag", "values": TAGS}})
            assert [(v["id"], v["nodes"][0]["html"][:200]) for v in found.response["violations"]] == []
        assert said == []
        assert asked == [f"{address}/{name}"]
        tab.context.close()


def test_the_checker_sees_a_page_that_is_wrong(browser: Any, address: str) -> None:
    tab, _, _ = opened(browser, address, "exemplary", 1200, "light")
    tab.evaluate("document.querySelector('main').insertAdjacentHTML('beforeend', '<img><button></button><input>')")
    found = axe_api.Axe().run(tab, options={"runOnly": {"type": "tag", "values": TAGS}})
    assert {"image-alt", "button-name", "label"} <= {v["id"] for v in found.response["violations"]}
    tab.context.close()


def test_the_policy_is_in_force(browser: Any, address: str) -> None:
    tab, said, _ = opened(browser, address, "exemplary", 1200, "light")
    assert tab.evaluate("getComputedStyle(document.querySelector('h1')).fontWeight") == "600"
    tab.evaluate(
        "document.body.append(Object.assign(document.createElement('style'), {textContent: 'h1 { display: none }'}))"
    )
    assert tab.locator("h1").is_visible()
    assert any("Content Security Policy" in line for line in said)
    tab.context.close()


def test_keyboard_and_folded_findings(browser: Any, address: str) -> None:
    tab, _, _ = opened(browser, address, "everything-wrong", 1200, "light")
    tab.keyboard.press("Tab")
    assert tab.evaluate("document.activeElement.textContent") == "Skip to the content"
    tab.keyboard.press("Enter")
    assert tab.evaluate("document.activeElement.id") == "main"
    folded = tab.locator("details.story .finding").last
    assert not folded.is_visible()
    number = folded.get_attribute("id")
    mark = tab.locator(f"svg.wide a[href='#{number}'], figcaption a[href='#{number}']").first
    mark.focus()
    tab.keyboard.press("Enter")
    tab.wait_for_function(f"document.getElementById('{number}').checkVisibility({{contentVisibilityAuto: true}})")
    assert folded.is_visible()
    tab.context.close()


def test_one_drawing_at_a_time(browser: Any, address: str) -> None:
    for width, shown, hidden in (
        (1200, "wide", "narrow"),
        (960, "wide", "narrow"),
        (900, "narrow", "wide"),
        (320, "narrow", "wide"),
    ):
        tab, _, _ = opened(browser, address, "night-two-crew-late-sedation", width, "light")
        assert tab.locator(f"svg.{shown}").is_visible()
        assert not tab.locator(f"svg.{hidden}").is_visible()
        tab.context.close()


def test_print_shows_what_is_folded_on_paper_colors(browser: Any, address: str) -> None:
    tab, _, _ = opened(browser, address, "night-two-crew-late-sedation", 718, "dark")
    tab.emulate_media(media="print", color_scheme="dark")
    assert tab.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
    assert tab.locator("svg.wide").is_visible()
    heights = tab.evaluate("[...document.querySelectorAll('details')].map(d => d.getBoundingClientRect().height)")
    assert min(heights) > 40
    assert tab.locator("details.story .finding").first.is_visible()
    assert tab.pdf(format="Letter").startswith(b"%PDF")
    tab.context.close()
