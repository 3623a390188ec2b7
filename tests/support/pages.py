"""Pages for tests: rendered once a run, and read back as plain trees."""

from __future__ import annotations

import functools
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from html.parser import HTMLParser
from typing import Any

from service.api.formats import examples
from service.batch import lines, tables, worklist
from service.pages import facts as facts_page
from service.pages import formats as formats_page
from service.pages import measures as measures_page
from service.pages import review as review_page
from service.pages import rulebook as rulebook_page
from service.pages import start as start_page
from service.pages import worklist as worklist_page
from service.representations.formats_document import document as formats_document
from service.review.build import Review, Wanted
from tests.batch.made import some
from tests.support.batch import measured_lines
from tests.support.episodes import Document, encoded
from tests.support.pipeline import demo, demo_names, pipeline

_VOID = frozenset({"meta", "link", "br", "input", "hr", "img"})
DEMOS = [start_page.Demo(name, name.replace("-", " "), "An invented record.") for name in demo_names()]
FORMATS = [("application/json", "episode, JSON"), ("application/xml", "an XML data set")]


@dataclass
class Element:
    """One element with its attributes, its own and inner text, and its children."""

    tag: str
    attributes: dict[str, str]
    children: list[Element | str] = field(default_factory=list)

    @property
    def classes(self) -> set[str]:
        return set(self.attributes.get("class", "").split())

    def walk(self) -> Iterator[Element]:
        yield self
        for child in self.children:
            if isinstance(child, Element):
                yield from child.walk()

    def text(self) -> str:
        inner = "".join(c if isinstance(c, str) else c.text() for c in self.children)
        return " ".join(inner.split()) if self.tag not in ("style", "code") else inner

    def all(self, test: Callable[[Element], bool]) -> list[Element]:
        return [element for element in self.walk() if test(element)]

    def by_tag(self, tag: str) -> list[Element]:
        return self.all(lambda e: e.tag == tag)

    def by_class(self, name: str) -> list[Element]:
        return self.all(lambda e: name in e.classes)

    def by_id(self, name: str) -> Element:
        (found,) = self.all(lambda e: e.attributes.get("id") == name)
        return found


@dataclass
class Shown:
    """One finding on a page: its number, the card or row it stands in, and its own place there (the same where it stands alone)."""

    number: int
    fingerprint: str
    article: Element
    spot: Element


def findings_of(root: Element) -> list[Shown]:
    """Every finding of a page that can be linked to."""
    found = []
    for article in root.all(lambda e: bool(e.classes & {"finding", "ask"})):
        for spot in article.all(lambda e: "data-fingerprint" in e.attributes):
            number = int(spot.by_class("number")[0].text())
            found.append(Shown(number, spot.attributes["data-fingerprint"], article, spot))
    return found


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.root = Element("", {})
        self.open = [self.root]

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        element = Element(tag, {name: value or "" for name, value in attrs})
        self.open[-1].children.append(element)
        if tag not in _VOID:
            self.open.append(element)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.open[-1].children.append(Element(tag, {name: value or "" for name, value in attrs}))

    def handle_endtag(self, tag: str) -> None:
        assert self.open[-1].tag == tag, f"</{tag}> closes <{self.open[-1].tag}>"
        self.open.pop()

    def handle_data(self, data: str) -> None:
        self.open[-1].children.append(data)


def tree(body: bytes) -> Element:
    """Read a page; an element that is closed out of turn fails."""
    reader = _Reader()
    reader.feed(body.decode())
    reader.close()
    assert reader.open == [reader.root], "an element is left open"
    return reader.root


def review_of(document: Document, profile: str = "default") -> Review:
    """Review a record."""
    return pipeline().review(encoded(document), "application/json", profile, Wanted(accounts=True, full=True))


def shown(document: Document, profile: str = "default", **view: Any) -> tuple[Review, Element]:
    """The review of a record, and its page. ``view``: members of ``View``."""
    review = review_of(document, profile)
    return review, tree(review_page.render(review, pipeline().rulebook, view=review_page.View(**view)))


@functools.cache
def demo_review(name: str) -> Review:
    """The review of a demo episode."""
    return review_of(demo(name))


@functools.cache
def demo_page(name: str) -> bytes:
    """The page of a demo episode."""
    return review_page.render(demo_review(name), pipeline().rulebook)


@functools.cache
def demo_whole_page(name: str) -> bytes:
    """The page of a demo episode with its appendix."""
    return review_page.render(demo_review(name), pipeline().rulebook, view=review_page.View(appendix=True))


@functools.cache
def rulebook() -> bytes:
    """The page of the rulebook."""
    return rulebook_page.render(pipeline().rulebook)


@functools.cache
def facts() -> bytes:
    """The page of facts."""
    return facts_page.render(pipeline().rulebook)


@functools.cache
def formats() -> bytes:
    """The page of the formats."""
    return formats_page.render(formats_document(examples(), {}))


@functools.cache
def start() -> bytes:
    """The start page."""
    return start_page.render(pipeline().rulebook, DEMOS, FORMATS, pipeline().served, "default")


@functools.cache
def measures_of_lines() -> bytes:
    """The page of measures over ninety lines, some of them bad: all kinds of measures, of each the first few."""
    found = measured_lines(pipeline(), [body for body in some(90, bad_every=15) if body.strip()])
    kinds = {measure["kind"] for measure in found["measures"]}
    few = [m for kind in sorted(kinds) for m in [m for m in found["measures"] if m["kind"] == kind][:12]]
    assert any(m["greyed"] for m in few)
    return measures_page.render({**found, "measures": few})


@functools.cache
def worklist_of_lines() -> bytes:
    """The worklist of thirty lines in two files, some of them bad."""
    rows = []
    for number, body in enumerate(some(30, bad_every=9), 1):
        if body.strip():
            found = lines.answer(pipeline(), body, number, "default")
            page = None if number % 4 else f"pages/{number}.html"
            row = tables.episode_row(f"week-{number % 2}.ndjson", found, "station-1", page)
            rows.append({name: str(tables.cell(row.get(name))) for name in tables.EPISODES})
    files = [{"file": f"week-{n}.ndjson", "run": n, "read": 15} for n in range(2)]
    concerns = pipeline().rulebook.vocabulary.concerns
    found_rows = worklist.document(rows, files, concerns, lines.versions(pipeline(), "default"))
    return worklist_page.render(found_rows)
