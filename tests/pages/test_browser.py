"""A real browser opens every page: no console message, no request but the page's own, no violation of WCAG 2.2 AA
in either color scheme (axe-core), no sideways scroll at 320 pixels (WCAG 2.2, 1.4.10), folded text found and printed."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, HTTPServer, ThreadingHTTPServer
from typing import Any

import pytest
from werkzeug.serving import WSGIRequestHandler, make_server

from service.app import create_app
from service.pages import facts as facts_page
from service.pages import formats as formats_page
from service.pages import measures as measures_page
from service.pages import review as review_page
from service.pages import rulebook as rulebook_page
from service.pages import start as start_page
from service.settings import Settings
from tests.support.browser import needs_browser, running, violations
from tests.support.pages import DEMOS, FORMATS, demo_page, facts, formats, measures_of_lines, rulebook, start
from tests.support.pipeline import demo, pipeline

pytestmark = needs_browser

REVIEWS = ("exemplary", "night-two-crew-late-sedation", "found-prone-handcuffs-key-away", "everything-wrong")
LARGE = ("rulebook", "facts", "everything-wrong")
PAGES = ("start", "start-refused", "rulebook", "facts", "formats", "measures", *REVIEWS)
#: What is folded has to be held to the same standard; in the largest pages, made of the same parts, some of it.
OPEN_IN_LARGE = 12


def content(name: str) -> tuple[bytes, str] | None:
    if name == "start":
        return start(), start_page.POLICY
    if name == "start-refused":
        wrong = start_page.Wrong("The body is no episode.", [("/patient/age", "Give a whole number.")])
        return start_page.render(
            pipeline().rulebook, DEMOS, FORMATS, pipeline().served, "default", wrong
        ), start_page.POLICY
    if name == "formats":
        return formats(), formats_page.POLICY
    if name == "facts":
        return facts(), facts_page.POLICY
    if name == "rulebook":
        return rulebook(), rulebook_page.POLICY
    if name == "measures":
        return measures_of_lines(), measures_page.POLICY
    return (demo_page(name), review_page.POLICY) if name in REVIEWS else None


class Handler(BaseHTTPRequestHandler):
    def do_GET(self) -> None:
        found = content(self.path.strip("/"))
        self.send_response(404 if found is None else 200)
        body, policy = found or (b"", "default-src 'none'")
        self.send_header("Content-Type", review_page.MEDIA_TYPE)
        self.send_header("Content-Security-Policy", policy)
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, format: str, *args: object) -> None:
        pass


def served(server: HTTPServer) -> Iterator[str]:
    """The address of a server that runs in a thread, until the fixture ends."""
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    yield f"http://127.0.0.1:{server.server_port}"
    server.shutdown()
    thread.join()
    server.server_close()


@pytest.fixture(scope="module")
def address() -> Iterator[str]:
    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    yield from served(server)


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with running() as started:
        yield started


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
        most = OPEN_IN_LARGE if name in LARGE else 1000
        tab.evaluate(
            "most => [...document.querySelectorAll('details')].slice(0, most).forEach(d => d.open = true)", most
        )
        assert tab.evaluate("document.documentElement.scrollWidth") <= width
        # One look at the largest pages is enough, and what a narrow page does to targets and order does not depend on
        # the colors.
        if (width, scheme) == (1200, "dark") or (name not in LARGE and (width == 1200 or scheme == "light")):
            assert [(v["id"], v["nodes"][0]["html"][:200]) for v in violations(tab)] == []
        assert said == []
        assert asked == [f"{address}/{name}"]
        tab.context.close()


def test_the_checker_sees_a_page_that_is_wrong(browser: Any, address: str) -> None:
    tab, _, _ = opened(browser, address, "exemplary", 1200, "light")
    tab.evaluate("document.querySelector('main').insertAdjacentHTML('beforeend', '<img><button></button><input>')")
    assert {"image-alt", "button-name", "label"} <= {v["id"] for v in violations(tab)}
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
    folded = tab.locator("details.story .finding[id], details.story .spots > li").last
    assert not folded.is_visible()
    number = folded.get_attribute("id")
    mark = tab.locator(f".picture.wide a[href='#{number}'], figcaption a[href='#{number}']").first
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
        assert tab.locator(f".picture.{shown}").is_visible()
        assert not tab.locator(f".picture.{hidden}").is_visible()
        tab.context.close()


def test_print_shows_what_is_folded_on_paper_colors(browser: Any, address: str) -> None:
    tab, _, _ = opened(browser, address, "night-two-crew-late-sedation", 718, "dark")
    tab.emulate_media(media="print", color_scheme="dark")
    assert tab.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
    assert tab.locator(".picture.wide").is_visible()
    heights = tab.evaluate("[...document.querySelectorAll('details')].map(d => d.getBoundingClientRect().height)")
    assert min(heights) > 40
    assert tab.locator("details.story .finding").first.is_visible()
    assert tab.pdf(format="Letter").startswith(b"%PDF")
    tab.context.close()


class Silent(WSGIRequestHandler):
    def log(self, type: str, message: str, *args: Any) -> None:
        pass


@pytest.fixture(scope="module")
def service() -> Iterator[str]:
    server = make_server("127.0.0.1", 0, create_app(Settings(), pipeline()), threaded=True, request_handler=Silent)
    yield from served(server)


def test_from_the_start_page_to_a_review_in_the_running_service(browser: Any, service: str) -> None:
    tab, said, asked = opened(browser, service, "", 1200, "light")
    tab.get_by_role("link", name="The rulebook").click()
    assert "rule" in tab.title().lower()
    tab.go_back()
    tab.locator("button[value='everything-wrong']").click()
    assert tab.locator("h1").inner_text() == demo("everything-wrong")["episode_ref"]
    assert tab.locator(".tell-now").is_visible()
    tab.go_back()
    own = json.dumps(demo("exemplary") | {"episode_ref": "chosen-by-hand"}).encode()
    tab.locator("input[type=file]").set_input_files({"name": "a.json", "mimeType": "application/json", "buffer": own})
    tab.get_by_role("button", name="Review this file").click()
    assert tab.locator("h1").inner_text() == "chosen-by-hand"
    tab.go_back()
    tab.locator("input[type=file]").set_input_files({"name": "a.json", "mimeType": "application/json", "buffer": b"{}"})
    tab.get_by_role("button", name="Review this file").click()
    assert tab.get_by_role("alert").is_visible()
    # The browser itself says that the last answer was 422; nothing else is said, and nobody else was asked.
    assert [line for line in said if "422" not in line] == []
    assert all(url.startswith(service) for url in asked)
    tab.context.close()


@pytest.mark.parametrize("name", ["night-two-crew-late-sedation", "everything-wrong"])
def test_paper_never_cuts_a_lane(browser: Any, address: str, name: str) -> None:
    """Every lane of the picture, and every place of a finding, lies whole on one page: what is taller than a page aside."""
    tab, _, _ = opened(browser, address, name, 718, "light")
    tab.emulate_media(media="print")
    inside = tab.evaluate(
        "[...document.querySelectorAll('.picture.wide svg, .spots > li')].map(e => getComputedStyle(e).breakInside)"
    )
    assert set(inside) == {"avoid"}
    tab.context.close()
