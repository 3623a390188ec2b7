"""A review as a page: findings by who acts, the episode as a picture, and an account of every rule.

The page shows what the review says and decides nothing. It needs no script and
no network.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
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
    """One instance of a finding: its number on the page, its time as text, and its places as (in words, as sent)."""

    number: int
    instance: Mapping[str, Any]
    when: str
    places: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Item:
    """One finding under its heading, with its instances. ``folded``: the findings of its story shown under it."""

    finding: Mapping[str, Any]
    basis: str
    spots: tuple[Spot, ...]
    parameters: tuple[tuple[str, str], ...]
    sources: tuple[str, ...]
    folded: tuple[Item, ...]

    @property
    def said(self) -> str | None:
        """The message of all its instances, None where they differ in it."""
        messages = {spot.instance["message"] for spot in self.spots}
        return str(self.finding["message"]) if messages <= {self.finding["message"]} else None

    @property
    def under(self) -> list[Mapping[str, Any]]:
        """The findings folded under it."""
        return [item.finding for item in self.folded]


#: A finding, and those of its story that are folded under it.
_Head = tuple[Mapping[str, Any], list[Mapping[str, Any]]]


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
        self.clock = Clock(review.intake.episode, review.sheet.began)
        self.places = Places(review.intake)
        self.heads = {handler: self._heads(handler) for handler in HANDLERS}
        in_order = (f for heads in self.heads.values() for head, folded in heads for f in (head, *folded))
        self.numbers = {one["fingerprint"]: n for n, one in enumerate(each_instance(in_order), 1)}

    # ------------------------------------------------------------ order and folding

    def _of(self, handler: str) -> list[Mapping[str, Any]]:
        return [finding for finding in self.document["findings"] if finding["handled_by"] == handler]

    def _heads(self, handler: str) -> list[_Head]:
        """The findings for one reader, the most urgent first; what belongs to a story stands under its first finding.

        A critical finding is never folded.
        """
        heads: list[_Head] = []
        of_story: dict[int, list[Mapping[str, Any]]] = {}
        for finding in self._of(handler):
            story = finding["story"]
            if story in of_story and finding["severity"] != "critical":
                of_story[story].append(finding)
                continue
            heads.append((finding, []))
            if story is not None:
                of_story.setdefault(story, heads[-1][1])
        return heads

    def _spot(self, instance: Mapping[str, Any]) -> Spot:
        span = instance["span"]
        places = ((self.places.describe(p, self.clock), self.places.location(p)) for p in instance["pointers"])
        return Spot(
            number=self.numbers.get(instance["fingerprint"], 0),
            instance=instance,
            when="" if span is None else self.clock.span_of(span),
            places=tuple(dict.fromkeys(places)),
        )

    def _item(self, finding: Mapping[str, Any], folded: Sequence[Mapping[str, Any]] = ()) -> Item:
        return Item(
            finding=finding,
            basis=BASIS[finding["category"]],
            spots=tuple(self._spot(instance) for instance in finding["instances"]),
            parameters=tuple(
                (word(name), quantity(p["value"], p["unit"])) for name, p in finding["parameters"].items()
            ),
            sources=tuple(dict.fromkeys(source_line(s) for s in finding["sources"])),
            folded=tuple(self._item(each) for each in folded),
        )

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

    def _number_of(self, key: str | None) -> int | None:
        """The number of the first instance of a finding."""
        found = next((f for f in self.document["findings"] if f["key"] == key), None)
        return None if found is None else self.numbers[found["instances"][0]["fingerprint"]]

    def _first(self, handler: str) -> dict[str, Any]:
        """``first``: (first number, finding, number of instances) of the gravest; ``more``: how many findings are left."""
        found = self._of(handler)
        first = [(self._number_of(each["key"]), each, len(each["instances"])) for each in found[:_FIRST]]
        return {"first": first, "more": len(found[_FIRST:])}

    def _picture(self) -> dict[str, Any] | None:
        numbered = [(self.numbers[one["fingerprint"]], one) for one in each_instance(self.document["findings"])]
        numbered.sort(key=lambda each: each[0])
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
                "items": [self._item(finding, folded) for finding, folded in heads],
            }
            for key, heads in self.heads.items()
        ]
        notices = sorted(document["notices"], key=lambda n: SEVERITIES.index(n["severity"]))
        return {
            "document": document,
            "summary": document["summary"],
            "versions": document["versions"],
            "profile_title": profile_of(self.book, document).title,
            "clock": self.clock,
            "tell_now": [(line, self._number_of(line["finding"])) for line in document["tell_now"]],
            "groups": groups,
            "picture": self._picture(),
            "alarms": [n for n in notices if n["severity"] == "critical"],
            "notices": [n for n in notices if n["severity"] != "critical"],
            "accepted": [self._item(finding) for finding in document["accepted"]],
            "unjudged": document["unjudged"],
            "language": self.review.intake.language,
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
