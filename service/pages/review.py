"""A review as a page: findings by who acts, the episode as a picture, and an account of every rule.

The page shows what the review says and decides nothing. It needs no script and
no network.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from service.checkpoint import Checkpoint, never
from service.review.build import Review
from service.rulebook.load import Rulebook
from service.wording.clock import Clock
from service.wording.headings import (
    BASIS,
    HANDLERS,
    SEVERITIES,
    STATES,
    count,
    said_once,
    sentence,
    severity_counts,
    together,
)
from service.wording.places import Places
from service.wording.quantities import quantity
from service.wording.words import word

from . import html
from . import picture as picture_drawing
from .lanes import Lanes, entries
from .limits import profile_of

MEDIA_TYPE = html.MEDIA_TYPE
#: ``Content-Security-Policy`` of this page.
POLICY = html.READ_POLICY

_NOTES = {
    "reviewer": "These entries stay as charted; review looks at them.",
    "author": "If something was done, add it as a late entry with the time it was done. If it was not, chart that and why.",
}
#: Headings shown at the top for each reader; the rest is only counted.
_FIRST = 5
_CONFIDENCE = {
    "read": "source read",
    "read_secondary": "read in a second source",
    "memory": "from memory",
    "practice": "common practice",
}


@dataclass(frozen=True, slots=True)
class Spot:
    """One finding: its number on the page, its time as text, and its places as (in words, as sent)."""

    number: int
    finding: Mapping[str, Any]
    when: str
    places: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Item:
    """Findings that differ in their place only, under one heading.

    ``finding``: the first of them, for what they have in common; ``said``:
    their message, None where they differ in it; ``elsewhere``: numbers of other
    findings of their cascade; ``folded``: headings of the cascade shown under this one.
    """

    finding: Mapping[str, Any]
    basis: str
    said: str | None
    spots: tuple[Spot, ...]
    parameters: tuple[tuple[str, str], ...]
    sources: tuple[str, ...]
    elsewhere: tuple[int, ...]
    folded: tuple[Item, ...]

    @property
    def every(self) -> list[Mapping[str, Any]]:
        """Its own findings."""
        return [spot.finding for spot in self.spots]

    @property
    def under(self) -> list[Mapping[str, Any]]:
        """The findings folded under it."""
        return [finding for item in self.folded for finding in item.every]


#: Findings of one heading, and the headings folded under it.
_Head = tuple[list[Mapping[str, Any]], list[list[Mapping[str, Any]]]]


def source_line(source: Mapping[str, Any]) -> str:
    """One source of a rule as a line of text."""
    confidence = _CONFIDENCE.get(source["confidence"], source["confidence"])
    where = ", ".join(part for part in (source["publisher"], source["edition"]) if part)
    return f"{source['title']}. {sentence(where)}: {source['locator']} ({confidence})."


def render(review: Review, book: Rulebook, checkpoint: Checkpoint = never) -> bytes:
    """The page in UTF-8. ``book`` is the rulebook that the review was made with (``Pipeline.rulebook``)."""
    return html.page("review.html", POLICY, **_Page(review, book).values())


class _Page:
    def __init__(self, review: Review, book: Rulebook) -> None:
        self.review, self.book, self.document = review, book, review.document
        self.clock = Clock(review.intake.episode)
        self.places = Places(review.intake)
        self.trees = {handler: self._tree(handler) for handler in HANDLERS}
        self.numbers = {f["fingerprint"]: n for n, f in enumerate(self._in_order(), 1)}

    # ------------------------------------------------------------ order and folding

    def _of(self, handler: str) -> list[Mapping[str, Any]]:
        return [finding for finding in self.document["findings"] if finding["handled_by"] == handler]

    def _tree(self, handler: str) -> list[tuple[str, list[_Head]]]:
        """(phase, headings) for one reader; under each heading the others of its cascade, of which the worst comes first."""
        heads: list[_Head] = []
        head_of: dict[str, list[list[Mapping[str, Any]]]] = {}
        for group in together(self._of(handler)):
            under = head_of.get(group[0]["fingerprint"])
            if under is not None:
                under.append(group)
                continue
            heads.append((group, []))
            head_of |= dict.fromkeys((other for finding in group for other in finding["related"]), heads[-1][1])
        return [
            (phase, here)
            for phase in self.book.vocabulary.phases
            if (here := [head for head in heads if head[0][0]["phase"] == phase])
        ]

    def _in_order(self) -> Iterable[Mapping[str, Any]]:
        for tree in self.trees.values():
            for _, heads in tree:
                for group, folded in heads:
                    yield from group
                    for more in folded:
                        yield from more

    def _spot(self, finding: Mapping[str, Any]) -> Spot:
        span = finding["span"]
        places = ((self.places.describe(p, self.clock), self.places.location(p)) for p in finding["pointers"])
        return Spot(
            number=self.numbers.get(finding["fingerprint"], 0),
            finding=finding,
            when="" if span is None else self.clock.span_of(span),
            places=tuple(dict.fromkeys(places)),
        )

    def _item(
        self,
        group: Sequence[Mapping[str, Any]],
        folded: Sequence[Sequence[Mapping[str, Any]]] = (),
        told: frozenset[str] = frozenset(),
    ) -> Item:
        first = group[0]
        near = told | {f["fingerprint"] for each in (group, *folded) for f in each}
        related = {other for finding in group for other in finding["related"]}
        return Item(
            finding=first,
            basis=BASIS[first["category"]],
            said=said_once(group),
            spots=tuple(self._spot(finding) for finding in group),
            parameters=tuple((word(name), quantity(p["value"], p["unit"])) for name, p in first["parameters"].items()),
            sources=tuple(dict.fromkeys(source_line(s) for s in first["sources"])),
            elsewhere=tuple(sorted(self.numbers[f] for f in related if f in self.numbers and f not in near)),
            folded=tuple(self._item(each, told=frozenset(related | near)) for each in folded),
        )

    # ------------------------------------------------------------ the rest of the account

    def _titles(self, outcome: str) -> list[tuple[str, list[tuple[str, str]]]]:
        """(phase, [(rule id, title)]) of every rule with this outcome."""
        by_phase: dict[str, list[tuple[str, str]]] = {}
        for account in self.document["accounts"]:
            rule = self.book.find(account["rule"])
            if account["outcome"] == outcome and rule is not None:
                by_phase.setdefault(rule.phase, []).append((rule.id, rule.title))
        return [(phase, by_phase[phase]) for phase in self.book.vocabulary.phases if phase in by_phase]

    def _unknown(self) -> list[tuple[str, list[tuple[str, str, list[str]]]]]:
        """(phase, [(rule id, title, what is not known)])."""
        by_phase: dict[str, list[tuple[str, str, list[str]]]] = {}
        for entry in self.document["not_assessable"]:
            rule = self.book.find(entry["rule"]["id"])
            if rule is None:
                continue
            kind = self.book.vocabulary.kinds[rule.about]
            lines = []
            for unknown in entry["unknown"]:
                attribute = kind.attributes.get(unknown.get("attribute", ""))
                what = attribute.label if attribute is not None else word(rule.about)
                lines.append(f"{sentence(what)}: {STATES[unknown['state']]}")
            by_phase.setdefault(rule.phase, []).append((rule.id, rule.title, list(dict.fromkeys(lines))))
        return [(phase, by_phase[phase]) for phase in self.book.vocabulary.phases if phase in by_phase]

    def _tell_now(self) -> list[tuple[str, list[int]]]:
        """(sentence, numbers of the findings with it), each sentence once."""
        told: dict[str, list[int]] = {}
        for finding in self.document["findings"]:
            if "tell_now" in finding:
                told.setdefault(finding["tell_now"], []).append(self.numbers[finding["fingerprint"]])
        return [(text, sorted(numbers)) for text, numbers in told.items()]

    def _first(self, handler: str) -> dict[str, Any]:
        """``first``: (first number, finding, number of findings) of the gravest headings; ``more``: how many findings are left."""
        groups = together(self._of(handler))
        first = [(self.numbers[group[0]["fingerprint"]], group[0], len(group)) for group in groups[:_FIRST]]
        return {"first": first, "more": sum(len(group) for group in groups[_FIRST:])}

    def _picture(self) -> dict[str, Any] | None:
        numbered = sorted((self.numbers[f["fingerprint"]], f) for f in self.document["findings"])
        lanes = Lanes(self.review, self.book, numbered, self.places)
        picture = lanes.picture()
        if picture.window[1] <= picture.window[0]:
            return None
        label = f"The episode from {self.clock.span(*picture.window)}"
        return {
            "wide": picture_drawing.draw(picture, self.clock, picture_drawing.WIDE, label),
            "narrow": picture_drawing.draw(picture, self.clock, picture_drawing.NARROW, label),
            "entries": entries(picture.lanes, self.clock),
            "outside": picture.outside,
            "unplaced": [mark.number for mark in picture.unplaced],
            "from": self.clock.text(picture.window[0]),
            "to": self.clock.text(picture.window[1]),
        }

    def values(self) -> dict[str, Any]:
        document = self.document
        groups = [
            {
                "key": key,
                "title": HANDLERS[key],
                "note": _NOTES[key],
                "findings": self._of(key),
                **self._first(key),
                "phases": [(phase, [self._item(group, folded) for group, folded in heads]) for phase, heads in tree],
            }
            for key, tree in self.trees.items()
        ]
        notices = sorted(document["notices"], key=lambda n: SEVERITIES.index(n["severity"]))
        return {
            "document": document,
            "summary": document["summary"],
            "versions": document["versions"],
            "profile_title": profile_of(self.book, document).title,
            "clock": self.clock,
            "tell_now": self._tell_now(),
            "groups": groups,
            "picture": self._picture(),
            "alarms": [n for n in notices if n["severity"] == "critical"],
            "notices": [n for n in notices if n["severity"] != "critical"],
            "accepted": [(self._item([f]), f["reason"]) for f in document["accepted"]],
            "off": [
                (entry, rule.title if (rule := self.book.find(entry["rule"])) else "") for entry in document["off"]
            ],
            "unknown": self._unknown(),
            "outcomes": [(key, self._titles(key)) for key in ("clear", "not_applicable")],
            "errors": self._titles("error"),
            "severity_counts": severity_counts,
            "count": count,
            "sentence": sentence,
        }
