"""A real browser opens every page: no console message, no request but the page's own, no violation of WCAG 2.2 AA
in either color scheme (axe-core), no sideways scroll at 320 pixels (WCAG 2.2, 1.4.10), folded text found and printed."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, HTTPServer, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest
from werkzeug.serving import WSGIRequestHandler, make_server

from service.api.formats import examples
from service.app import create_app
from service.pages import formats as formats_page
from service.pages import html
from service.pages import review as review_page
from service.pages import rulebook as rulebook_page
from service.pages import start as start_page
from service.representations.formats_document import document as formats_document
from service.settings import Settings
from tests.support.browser import needs_browser, running, violations
from tests.support.episodes import many_dangers
from tests.support.pages import (
    DEMOS,
    FORMATS,
    demo_page,
    demo_whole_page,
    facts,
    formats,
    measures_of_lines,
    review_of,
    rulebook,
    start,
    worklist_of_lines,
)
from tests.support.pipeline import demo, pipeline

pytestmark = needs_browser

REVIEWS = ("exemplary", "night-two-crew-late-sedation", "found-prone-handcuffs-key-away", "everything-wrong")
LARGE = ("rulebook", "facts", "everything-wrong")
PAGES = (
    "start",
    "start-refused",
    "rulebook",
    "rule",
    "facts",
    "formats",
    "formats-section",
    "measures",
    "worklist",
    *REVIEWS,
)
#: What is folded has to be held to the same standard; in the largest pages, made of the same parts, some of it.
OPEN_IN_LARGE = 12


def content(name: str) -> tuple[bytes, str] | None:
    if name == "start":
        return start(), html.FORM_POLICY
    if name == "start-refused":
        wrong = start_page.Wrong("The body is no episode.", [("/patient/age", "Give a whole number.")])
        return start_page.render(
            pipeline().rulebook, DEMOS, FORMATS, pipeline().served, "default", wrong
        ), html.FORM_POLICY
    if name == "formats":
        return formats(), html.READ_POLICY
    if name == "facts":
        return facts(), html.READ_POLICY
    if name == "rulebook":
        return rulebook(), html.FORM_POLICY
    if name == "rule":
        book = pipeline().rulebook
        return rulebook_page.render_rule(book, book.rules[0]), html.READ_POLICY
    if name == "formats-section":
        return formats_page.render_section(formats_document(examples(), {}), "application"), html.READ_POLICY
    if name == "measures":
        return measures_of_lines(), html.READ_POLICY
    if name in ("readme", "many-dangers"):
        record = readme_episode() if name == "readme" else many_dangers()
        return review_page.render(review_of(record), pipeline().rulebook), review_page.POLICY
    if name == "appendix":
        return demo_whole_page("night-two-crew-late-sedation"), review_page.POLICY
    if name == "worklist":
        return worklist_of_lines(), html.READ_POLICY
    return (demo_page(name), review_page.POLICY) if name in REVIEWS else None


def readme_episode() -> dict[str, Any]:
    """The record that the README shows."""
    text = (Path(__file__).parents[2] / "README.md").read_text("utf-8")
    shown = text.partition("<!-- episode -->")[2].partition("<!-- /episode -->")[0]
    return dict(json.loads(shown.strip().removeprefix("```json").removesuffix("```")))


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
    pipeline()  # takes longer than a browser waits where other work is under way
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


@pytest.mark.parametrize("width", [1200, 320])
@pytest.mark.parametrize("name", PAGES)
def test_a_page_is_quiet_alone_and_accessible(browser: Any, address: str, name: str, width: int) -> None:
    tab, said, asked = opened(browser, address, name, width, "light")
    sideways = "[document.documentElement.scrollWidth, ...[...document.querySelectorAll('*')].map(e => Math.ceil(e.getBoundingClientRect().right))]"
    for scheme in ("light", "dark"):
        tab.emulate_media(color_scheme=scheme)
        widest = max(tab.evaluate(f"{sideways}.filter(x => x <= 100000)"))
        assert tab.evaluate("document.documentElement.scrollWidth") <= width
        assert widest <= width + 1
    most = OPEN_IN_LARGE if name in LARGE else 1000
    tab.evaluate("most => [...document.querySelectorAll('details')].slice(0, most).forEach(d => d.open = true)", most)
    for scheme in ("light", "dark"):
        tab.emulate_media(color_scheme=scheme)
        assert tab.evaluate("document.documentElement.scrollWidth") <= width
        # One look at the largest pages is enough. What a page does to targets and order does not depend on the colors,
        # and the colors do not depend on its width.
        if scheme == "light" and name not in LARGE or (name in LARGE and (width, scheme) == (1200, "dark")):
            assert seen(tab) == []
        elif width == 1200 and scheme == "dark":
            assert seen(tab, "color-contrast") == []
    assert said == []
    assert asked == [f"{address}/{name}"]
    tab.context.close()


def seen(tab: Any, *rules: str) -> list[tuple[str, str]]:
    """(rule, place) of what the checker finds: by these rules, or by all."""
    return [(v["id"], v["nodes"][0]["html"][:200]) for v in violations(tab, *rules)]


def test_the_checker_sees_a_page_that_is_wrong(browser: Any, address: str) -> None:
    tab, _, _ = opened(browser, address, "exemplary", 1200, "light")
    tab.evaluate("document.querySelector('main').insertAdjacentHTML('beforeend', '<img><button></button><input>')")
    assert {"image-alt", "button-name", "label"} <= {v["id"] for v in violations(tab)}
    tab.emulate_media(color_scheme="dark")
    assert violations(tab, "color-contrast") == []
    tab.evaluate("document.querySelector('main').style.color = '#333'")
    assert [v["id"] for v in violations(tab, "color-contrast")] == ["color-contrast"]
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
    folded = tab.locator(".ask .spots > li").last
    assert not folded.is_visible()
    number = folded.get_attribute("id")
    mark = tab.locator(f".picture.w a[href='#{number}']").first
    mark.focus()
    tab.keyboard.press("Enter")
    tab.wait_for_function(f"document.getElementById('{number}').checkVisibility({{contentVisibilityAuto: true}})")
    assert folded.is_visible()
    # And back: the time of the finding leads to its mark.
    back = folded.locator("a:visible").first
    back.focus()
    tab.keyboard.press("Enter")
    assert tab.evaluate("document.querySelector(':target').getAttribute('href')") == f"#{number}"
    tab.context.close()


def test_one_drawing_at_a_time_and_over_the_full_width(browser: Any, address: str) -> None:
    for width, shown, hidden in ((1200, "w", "n"), (960, "w", "n"), (600, "w", "n"), (599, "n", "w"), (320, "n", "w")):
        tab, _, _ = opened(browser, address, "night-two-crew-late-sedation", width, "light")
        assert tab.locator(f".picture.{shown}").is_visible()
        assert not tab.locator(f".picture.{hidden}").is_visible()
        assert tab.locator(f".picture.{shown}").bounding_box()["width"] >= min(width - 30, 900)
        tab.context.close()


def test_words_of_the_picture_lie_inside_it_and_apart(browser: Any, address: str) -> None:
    """As the browser sets them, in the font it has: nothing clipped, nothing over other words."""
    script = """() => [...document.querySelectorAll('.picture.w .lanes svg')].flatMap(svg => {
        const view = svg.viewBox.baseVal, boxes = [...svg.querySelectorAll('text')].map(t => [t.getBBox(), t.textContent]);
        const out = boxes.filter(([b]) => b.x < -1 || b.x + b.width > view.width + 1 || b.y < -2 || b.y + b.height > view.height + 3).map(b => b[1]);
        boxes.forEach(([a, one], i) => boxes.slice(0, i).forEach(([b, other]) => {
            if (a.x + 2 < b.x + b.width && b.x + 2 < a.x + a.width && a.y + 4 < b.y + b.height && b.y + 4 < a.y + a.height) out.push(one + ' / ' + other);
        }));
        return out;
    })"""
    for name in REVIEWS:
        tab, _, _ = opened(browser, address, name, 1200, "light")
        assert tab.evaluate(script) == [], name
        tab.context.close()


#: Name -> most screens of 1440 by 900, and most sheets of Letter.
LENGTHS = {"exemplary": (2.5, 2), "readme": (4, 3), "many-dangers": (8, 7), "night-two-crew-late-sedation": (4, 4)}


@pytest.mark.parametrize("name", LENGTHS)
def test_a_page_is_as_long_as_a_reader_has_time_for(browser: Any, address: str, name: str) -> None:
    tab, _, _ = opened(browser, address, name, 1440, "light")
    assert tab.evaluate("document.documentElement.scrollHeight") <= LENGTHS[name][0] * 900
    sheets = tab.pdf(format="Letter").count(b"/Type /Page\n")
    assert 0 < sheets <= LENGTHS[name][1]
    tab.context.close()


def test_what_to_tell_now_fills_the_first_screen(browser: Any, address: str) -> None:
    tab, _, _ = opened(browser, address, "many-dangers", 1440, "light")
    top = "[...document.querySelectorAll('.tells .line')].filter(e => e.getBoundingClientRect().bottom < 900).map(e => e.textContent)"
    seen = " ".join(tab.evaluate(top))
    for fact in (
        "SpO2 70 % at 18:36",
        "Breathing rate 4 at 18:36",
        "EtCO2 70 mmHg at 18:36",
        "Systolic pressure 64 mmHg at 18:36",
    ):
        assert fact in seen
    tab.context.close()


def test_paper_shows_the_findings_on_paper_colors_and_the_rest_where_it_is_asked_for(
    browser: Any, address: str
) -> None:
    for name, sources in (("night-two-crew-late-sedation", False), ("appendix", True)):
        tab, _, _ = opened(browser, address, name, 718, "dark")
        tab.emulate_media(media="print", color_scheme="dark")
        assert tab.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
        assert tab.locator(".picture.w").is_visible()
        assert tab.locator(".ask .act").first.is_visible()
        assert tab.locator(".more li").first.is_visible() == sources
        # The axis of the picture comes again on the next sheet, the reference and the number of the page on each.
        assert tab.evaluate("getComputedStyle(document.querySelector('.w .axis')).display") == "table-header-group"
        assert tab.evaluate("getComputedStyle(document.documentElement).getPropertyValue('--ref')").strip(
            '"'
        ) == tab.evaluate("document.documentElement.dataset.ref")
        tab.context.close()


def test_forced_colors_are_the_readers_own(browser: Any, address: str) -> None:
    context = browser.new_context(viewport={"width": 1200, "height": 900}, forced_colors="active")
    tab = context.new_page()
    tab.goto(f"{address}/everything-wrong")
    text = tab.evaluate("getComputedStyle(document.body).color")
    for shape in (".picture .bar.own", ".picture .mark.critical path"):
        assert tab.evaluate(f"getComputedStyle(document.querySelector('{shape}')).fill") == text
    context.close()


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
    assert tab.locator("h1").inner_text() == f"Review of {demo('everything-wrong')['episode_ref']}"
    assert tab.locator(".tell-now").is_visible()
    tab.go_back()
    own = json.dumps(demo("exemplary") | {"episode_ref": "chosen-by-hand"}).encode()
    tab.locator("input[type=file]").set_input_files({"name": "a.json", "mimeType": "application/json", "buffer": own})
    tab.get_by_role("button", name="Review this file").click()
    assert tab.locator("h1").inner_text() == "Review of chosen-by-hand"
    tab.go_back()
    tab.locator("input[type=file]").set_input_files({"name": "a.json", "mimeType": "application/json", "buffer": b"{}"})
    tab.get_by_role("button", name="Review this file").click()
    assert tab.get_by_role("alert").is_visible()
    assert tab.evaluate("document.activeElement.textContent") == "This could not be reviewed"
    # The browser itself says that the last answer was 422; nothing else is said, and nobody else was asked.
    assert [line for line in said if "422" not in line] == []
    assert all(url.startswith(service) for url in asked)
    tab.context.close()


@pytest.mark.parametrize(("path", "title"), [("nowhere", "Not found"), ("try", "Method not allowed")])
def test_a_refusal_is_a_page_with_the_focus_on_its_message(browser: Any, service: str, path: str, title: str) -> None:
    tab, _, _ = opened(browser, service, path, 1200, "light")
    assert tab.evaluate("document.activeElement.textContent") == title
    assert [v["id"] for v in violations(tab)] == []
    tab.get_by_role("link", name="To the start page").click()
    assert tab.locator("input[type=file]").is_visible()
    tab.context.close()


@pytest.mark.parametrize("name", ["night-two-crew-late-sedation", "everything-wrong"])
def test_paper_never_cuts_a_lane(browser: Any, address: str, name: str) -> None:
    """Every lane of the picture, and every place of a finding, lies whole on one page: what is taller than a page aside."""
    tab, _, _ = opened(browser, address, name, 718, "light")
    tab.emulate_media(media="print")
    inside = tab.evaluate(
        "[...document.querySelectorAll('.picture.w svg, .spots > li, .finding, .ask')].map(e => getComputedStyle(e).breakInside)"
    )
    assert set(inside) == {"avoid"}
    tab.context.close()
