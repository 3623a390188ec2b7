"""A review as a page: what stands and who acts, the episode as a picture, every finding, every rule accounted for.

The page repeats what the review says and decides nothing. It needs no script
and asks nothing of the network.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from service.presentation import html, timeline_svg
from service.presentation.lanes import Lanes, entries
from service.presentation.limits import profile_of
from service.presentation.words import BASIS, SEVERITIES, STATES, Clock, Places, count, quantity, sentence
from service.review.build import Review
from service.rulebook.load import Rulebook
from service.rulebook.message import word

MEDIA_TYPE = html.MEDIA_TYPE
#: ``Content-Security-Policy`` of this page.
POLICY = html.READ_POLICY

_HANDLERS = (
    (
        "author",
        "For the author",
        "If something was done, add it as a late entry with the time it was done. If it was not, chart that and why.",
    ),
    ("reviewer", "For the reviewer", "These entries stay as charted; review looks at them."),
)
_CONFIDENCE = {
    "read": "source read",
    "read_secondary": "read in a second source",
    "memory": "from memory",
    "practice": "common practice",
}


@dataclass(frozen=True, slots=True)
class Item:
    """One finding on the page with its number, and the findings folded under it."""

    number: int
    finding: Mapping[str, Any]
    basis: str
    when: str
    places: tuple[tuple[str, str], ...]
    parameters: tuple[tuple[str, str], ...]
    sources: tuple[str, ...]
    elsewhere: tuple[int, ...]
    folded: tuple[Item, ...]

    @property
    def folded_counts(self) -> str:
        """``2 critical, 1 warning`` among the folded ones."""
        return severity_counts(item.finding for item in self.folded)


def severity_counts(findings: Iterable[Mapping[str, Any]]) -> str:
    """``2 critical, 1 warning``; empty without findings."""
    found = [finding["severity"] for finding in findings]
    return ", ".join(f"{found.count(severity)} {severity}" for severity in SEVERITIES if severity in found)


def source_line(source: Mapping[str, Any]) -> str:
    """One source of a rule as a line of text."""
    confidence = _CONFIDENCE.get(source["confidence"], source["confidence"])
    return f"{source['title']}. {source['publisher']}, {source['edition']}: {source['locator']} ({confidence})."


def render(review: Review, book: Rulebook) -> bytes:
    """The page in UTF-8. ``book`` is the rulebook that the review was made with (``Pipeline.rulebook``)."""
    return html.page("review.html", POLICY, **_Page(review, book).values())


class _Page:
    def __init__(self, review: Review, book: Rulebook) -> None:
        self.review, self.book, self.document = review, book, review.document
        self.clock = Clock(review.intake.episode)
        self.places = Places(review.intake)
        self.trees = [(key, title, note, self._tree(key)) for key, title, note in _HANDLERS]
        self.numbers = {f["fingerprint"]: n for n, f in enumerate(self._in_order(), 1)}

    # ------------------------------------------------------------ order and folding

    def _tree(self, handler: str) -> list[tuple[str, list[tuple[Mapping[str, Any], list[Mapping[str, Any]]]]]]:
        """(phase, [(finding, those of its cascade folded under it)]) for one reader; the worst of a cascade comes first in a review."""
        heads: list[tuple[Mapping[str, Any], list[Mapping[str, Any]]]] = []
        head_of: dict[str, list[Mapping[str, Any]]] = {}
        for finding in self.document["findings"]:
            if finding["handled_by"] != handler:
                continue
            under = head_of.get(finding["fingerprint"])
            if under is not None:
                under.append(finding)
                continue
            folded: list[Mapping[str, Any]] = []
            heads.append((finding, folded))
            head_of |= dict.fromkeys(finding["related"], folded)
        return [
            (phase, here)
            for phase in self.book.vocabulary.phases
            if (here := [h for h in heads if h[0]["phase"] == phase])
        ]

    def _in_order(self) -> Iterable[Mapping[str, Any]]:
        for _, _, _, tree in self.trees:
            for _, heads in tree:
                for head, folded in heads:
                    yield head
                    yield from folded

    def _item(
        self, finding: Mapping[str, Any], folded: Sequence[Mapping[str, Any]] = (), told: frozenset[str] = frozenset()
    ) -> Item:
        near = told | {f["fingerprint"] for f in folded}
        span = finding["span"]
        places = tuple(
            dict.fromkeys((self.places.describe(p, self.clock), self.places.location(p)) for p in finding["pointers"])
        )
        return Item(
            number=self.numbers.get(finding["fingerprint"], 0),
            finding=finding,
            basis=BASIS[finding["category"]],
            when="" if span is None else self.clock.span_of(span),
            places=places,
            parameters=tuple(
                (word(name), quantity(p["value"], p["unit"])) for name, p in finding["parameters"].items()
            ),
            sources=tuple(dict.fromkeys(source_line(s) for s in finding["sources"])),
            elsewhere=tuple(sorted(self.numbers[f] for f in finding["related"] if f in self.numbers and f not in near)),
            folded=tuple(self._item(f, told=frozenset(finding["related"]) | {finding["fingerprint"]}) for f in folded),
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
        """Each sentence once, with the numbers of its findings."""
        told: dict[str, list[int]] = {}
        for finding in self.document["findings"]:
            if "tell_now" in finding:
                told.setdefault(finding["tell_now"], []).append(self.numbers[finding["fingerprint"]])
        return [(text, sorted(numbers)) for text, numbers in told.items()]

    def _picture(self) -> dict[str, Any] | None:
        numbered = sorted((self.numbers[f["fingerprint"]], f) for f in self.document["findings"])
        lanes = Lanes(self.review, self.book, numbered, self.places)
        picture = lanes.picture()
        if picture.window[1] <= picture.window[0]:
            return None
        label = f"The episode from {self.clock.span(*picture.window)}"
        return {
            "wide": timeline_svg.draw(picture, self.clock, timeline_svg.WIDE, label),
            "narrow": timeline_svg.draw(picture, self.clock, timeline_svg.NARROW, label),
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
                "title": title,
                "note": note,
                "findings": [f for f in document["findings"] if f["handled_by"] == key],
                "phases": [(phase, [self._item(head, folded) for head, folded in heads]) for phase, heads in tree],
            }
            for key, title, note, tree in self.trees
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
            "accepted": [(self._item(f), f["reason"]) for f in document["accepted"]],
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
