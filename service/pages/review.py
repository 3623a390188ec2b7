"""A review as a page: what to tell now, the episode as a picture, findings by who acts, and what the record cannot tell.

The page shows what the review says and decides nothing. It needs no script and
no network. Its parts can be had alone, for a host that shows them among its own.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from itertools import groupby
from typing import Any, Literal

from service.checkpoint import Checkpoint, never
from service.episode import record
from service.episode.declaration import members
from service.facts.intervals import Span
from service.review.build import Review
from service.rulebook.load import Rulebook
from service.wording.clock import Clock
from service.wording.headings import (
    BASIS,
    HANDLERS,
    SEVERITIES,
    count,
    each_instance,
    sentence,
    severity_counts,
    why_unknown,
)
from service.wording.places import Places
from service.wording.quantities import quantity
from service.wording.words import word

from . import html
from . import picture as picture_drawing
from .lane import entries
from .lanes import Lanes
from .limits import profile_of

MEDIA_TYPE = html.MEDIA_TYPE
#: ``Content-Security-Policy`` of this page.
POLICY = html.REVIEW_POLICY

Part = Literal["tell-now", "findings", "picture"]
#: A part that can be had alone -> its media type.
PARTS: dict[Part, str] = {"tell-now": MEDIA_TYPE, "findings": MEDIA_TYPE, "picture": "image/svg+xml"}

_NOTES = {
    "reviewer": "These entries stay as charted; review looks at them.",
    "author": "If something was done, add it as a late entry with the time it was done. If it was not, chart that and why.",
}
_CONFIDENCE = {
    "read": "source read",
    "read_secondary": "read in a second source",
    "memory": "from memory",
    "practice": "common practice",
}
#: Sections of the record in its own order, for the checklist.
_SECTIONS = [member.name for member in members(record.Episode)]


@dataclass(frozen=True, slots=True)
class View:
    """How a page is wanted.

    ``first``: whose findings come first; ``appendix``: with the outcome of every rule; ``part``: that part alone;
    ``link``: address of a place in the host's own form, with ``{episode_ref}``, ``{pointer}`` and ``{item}``;
    ``rules``: address before the id of a rule, empty for no link.
    """

    first: Literal["reviewer", "author"] = "reviewer"
    appendix: bool = False
    part: Part | None = None
    link: str = ""
    rules: str = "/v1/rules/"


@dataclass(frozen=True, slots=True)
class Place:
    """A place in words, as sent, and as a link into the host's form (or empty)."""

    text: str
    location: str
    link: str


@dataclass(frozen=True, slots=True)
class Spot:
    """One instance of a finding: its number on the page, its anchor, its time as text, whether the picture has it."""

    number: int
    anchor: str
    instance: Mapping[str, Any]
    when: str
    pinned: bool
    places: tuple[Place, ...]


@dataclass(frozen=True, slots=True)
class Item:
    """One finding with its instances. ``section``: of the record."""

    finding: Mapping[str, Any]
    basis: str
    section: str
    spots: tuple[Spot, ...]
    parameters: tuple[tuple[str, str], ...]
    sources: tuple[str, ...]

    @property
    def said(self) -> str | None:
        """The message of all its instances, None where they differ in it."""
        messages = {spot.instance["message"] for spot in self.spots}
        return str(self.finding["message"]) if messages <= {self.finding["message"]} else None

    @property
    def whole(self) -> bool:
        """Whether it stands open: a critical finding is never folded, nor what the reviewer is warned of."""
        severity, handler = str(self.finding["severity"]), str(self.finding["handled_by"])
        return severity == "critical" or (severity, handler) == ("warning", "reviewer")


def source_line(source: Mapping[str, Any]) -> str:
    """One source of a rule as a line of text."""
    confidence = _CONFIDENCE.get(source["confidence"], source["confidence"])
    where = ", ".join(part for part in (source["publisher"], source["edition"]) if part)
    return f"{source['title']}. {sentence(where)}: {source['locator']} ({confidence})."


def anchor(fingerprint: str) -> str:
    """The id on the page of the instance with this fingerprint."""
    return f"rr-{fingerprint.replace(':', '-')}"


def render(review: Review, book: Rulebook, checkpoint: Checkpoint = never, view: View | None = None) -> bytes:
    """The page, or a part of it, in UTF-8. ``book``: the rulebook that the review was made with (``Pipeline.rulebook``)."""
    page = _Page(review, book, view or View())
    if page.view.part == "picture":
        return page.drawing()
    template = "review.html" if page.view.part is None else "part.html"
    return html.page(template, POLICY, **page.values())


class _Page:
    def __init__(self, review: Review, book: Rulebook, view: View) -> None:
        self.review, self.book, self.view, self.document = review, book, view, review.document
        self.clock = Clock(review.intake.episode, review.sheet.began)
        self.places = Places(review.intake)
        numbered = list(enumerate(each_instance(self.document["findings"]), 1))
        self.numbers = {one["fingerprint"]: number for number, one in numbered}
        self.picture = Lanes(review, book, numbered, self.places).picture()
        self.marks = {mark.number: mark for lane in self.picture.lanes for mark in lane.marks}
        self.drawn = self.picture.window[1] > self.picture.window[0]

    # ------------------------------------------------------------ findings

    def _place(self, entry: Mapping[str, Any]) -> Place:
        location = self.places.location(entry)
        values = {
            "{episode_ref}": self.document["episode_ref"],
            "{pointer}": entry.get("missing", location),
            "{item}": entry.get("item", ""),
        }
        link = self.view.link
        for name, value in values.items():
            link = link.replace(name, _in_address(str(value)))
        return Place(self.places.describe(entry, self.clock), entry.get("missing", location), link)

    def _spot(self, instance: Mapping[str, Any]) -> Spot:
        number = self.numbers.get(instance["fingerprint"], 0)
        span = self._span(number, instance["span"])
        return Spot(
            number=number,
            anchor=anchor(instance["fingerprint"]),
            instance=instance,
            when="" if span is None else self.clock.span(*span),
            pinned=self._is_pinned(number),
            places=tuple(dict.fromkeys(map(self._place, instance["pointers"]))),
        )

    def _is_pinned(self, number: int) -> bool:
        return self.drawn and number in self.marks and self.view.part is None

    def _span(self, number: int, told: Mapping[str, str] | None) -> Span | None:
        """When it was: as the picture has it; what is about the whole episode has no time of its own."""
        if number in self.marks:
            return self.marks[number].span
        span = None if told is None else (_epoch(told["from"]), _epoch(told["to"]))
        return None if span == self.review.sheet.facts[0].span else span

    def _item(self, finding: Mapping[str, Any]) -> Item:
        first = finding["instances"][0]["pointers"]
        where = [place for entry in first for place in (self.places.pointer(entry), entry.get("missing", "")) if place]
        return Item(
            finding=finding,
            basis=BASIS[finding["category"]],
            section=where[0].split("/")[1] if where else "",
            spots=tuple(self._spot(instance) for instance in finding["instances"]),
            parameters=tuple(
                (word(name), quantity(p["value"], p["unit"])) for name, p in finding["parameters"].items()
            ),
            sources=tuple(dict.fromkeys(source_line(s) for s in finding["sources"])),
        )

    def _group(self, handler: str) -> dict[str, Any]:
        """``whole``: what stands open; ``rows``: (chart section, items) of the rest."""
        items = [self._item(finding) for finding in self.document["findings"] if finding["handled_by"] == handler]
        folded = [item for item in items if not item.whole]
        if handler == "author":
            folded.sort(key=lambda item: _SECTIONS.index(item.section) if item.section in _SECTIONS else -1)
        return {
            "key": handler,
            "title": HANDLERS[handler],
            "note": _NOTES[handler],
            "counts": severity_counts(item.finding for item in items),
            "whole": [item for item in items if item.whole],
            "rows": [
                (sentence(word(section)) if handler == "author" else "", list(under))
                for section, under in groupby(folded, key=lambda i: i.section if handler == "author" else "")
            ],
        }

    def _tell_now(self) -> list[tuple[str, list[dict[str, Any]]]]:
        """(concern, lines): of each the fact, what to do, its time, and its finding."""
        first = {f["key"]: f["instances"][0]["fingerprint"] for f in self.document["findings"]}
        lines = []
        for line in self.document["tell_now"]:
            fact, _, act = line["text"].partition(". ")
            mark = first.get(line["finding"])
            number = 0 if mark is None else self.numbers[mark]
            span = self._span(number, line["span"])
            lines.append(
                {
                    "concern": line["concern"],
                    "fact": f"{fact}." if act else fact,
                    "act": act,
                    "when": "" if span is None else self.clock.text(span[0]),
                    "anchor": "" if mark is None or self.view.part else anchor(mark),
                    "number": number if self._is_pinned(number) else 0,
                }
            )
        return [(word(concern), list(under)) for concern, under in groupby(lines, key=lambda each: each["concern"])]

    def _patient(self) -> str:
        """Where the patient is, with the time where it is charted."""
        told = self.document["patient"]
        if "at" not in told:
            return str(told["text"])
        state, _, rest = told["text"].partition(". ")
        return f"{state} at {self.clock.text(_epoch(told['at']))}. {rest}"

    # ------------------------------------------------------------ the rest of the account

    def _titles(self, outcome: str) -> list[tuple[str, list[tuple[str, str]]]]:
        """(phase, [(rule id, title)]) of every rule with this outcome."""
        by_phase: dict[str, list[tuple[str, str]]] = {}
        for rule_id, found in self.review.outcomes.items():
            rule = self.book.find(rule_id)
            if found == outcome and rule is not None:
                by_phase.setdefault(rule.phase, []).append((rule.id, rule.title))
        return [(phase, by_phase[phase]) for phase in self.book.vocabulary.phases if phase in by_phase]

    def _unknown(self) -> list[tuple[str, list[tuple[str, str]]]]:
        """(what is not known, [(rule id, title)])."""
        return [
            (
                sentence(why_unknown(group["because"])),
                [(rule.id, rule.title) for each in group["rules"] if (rule := self.book.find(each["id"])) is not None],
            )
            for group in self.document["not_assessable"]
        ]

    def _label(self) -> str:
        return f"The episode from {self.clock.span(*self.picture.window)}"

    def drawing(self) -> bytes:
        """The picture as an SVG that stands alone."""
        name = self.document["input_digest"].rpartition(":")[2][:8]
        return picture_drawing.alone(self.picture, self.clock, self._label(), html.REVIEW_STYLE, name)

    def _drawn(self) -> dict[str, Any] | None:
        if not self.drawn:
            return None
        drawings = picture_drawing.every(self.picture, self.clock, self._label())
        return {
            "drawings": drawings,
            "legend": picture_drawing.legend(self.picture),
            "entries": entries(self.picture.lanes, self.clock),
            "outside": self.picture.outside,
            "unplaced": len(self.picture.unplaced),
            "from": self.clock.text(self.picture.window[0]),
            "to": self.clock.text(self.picture.window[1]),
        }

    def values(self) -> dict[str, Any]:
        document = self.document
        handlers: Iterable[str] = HANDLERS if self.view.first == "reviewer" else reversed(list(HANDLERS))
        notices = sorted(document["notices"], key=lambda n: SEVERITIES.index(n["severity"]))
        return {
            "view": self.view,
            "document": document,
            "summary": document["summary"],
            "versions": document["versions"],
            "profile_title": profile_of(self.book, document).title,
            "clock": self.clock,
            "tell_now": self._tell_now(),
            "patient": self._patient(),
            # Who asks to come first comes before the picture too.
            "early": 1 if self.view.first == "author" else 0,
            # For the first sheet of paper; what is critical stands there already.
            "headlines": [
                (severity, titles)
                for severity in SEVERITIES[1:]
                if (titles := [f["title"] for f in document["findings"] if f["severity"] == severity])
            ],
            "groups": [self._group(handler) for handler in handlers],
            "picture": None if self.view.part else self._drawn(),
            "alarms": [n for n in notices if n["severity"] == "critical"],
            "notices": [n for n in notices if n["severity"] != "critical"],
            "accepted": [self._item(finding) for finding in document["accepted"]],
            "unjudged": document["unjudged"],
            "language": self.review.intake.language,
            "off": [
                (entry, rule.title if (rule := self.book.find(entry["rule"])) else "") for entry in document["off"]
            ],
            "unknown": self._unknown(),
            "outcomes": [(key, self._titles(key)) for key in ("clear", "not_applicable")] if self.view.appendix else [],
            "errors": self._titles("error"),
            "count": count,
            "sentence": sentence,
        }


def _epoch(text: str) -> int:
    return int(datetime.fromisoformat(text).timestamp())


def _in_address(text: str) -> str:
    """Percent-encoded (RFC 3986), but for its unreserved characters."""
    return "".join(chr(b) if chr(b).isalnum() and b < 128 or chr(b) in "-._~" else f"%{b:02X}" for b in text.encode())
