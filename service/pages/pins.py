"""Where a finding stands in the picture: its lane, the moment it points at, the stretch it is about, what it colors.

Times are epoch seconds. Nothing here judges: a stretch is a gap only where a finding says so.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from service.episode import record
from service.episode.declaration import Node
from service.episode.words import BODY_PARTS
from service.facts import intervals
from service.facts.intervals import Span
from service.facts.limbs import check_times
from service.facts.timeline import ROUNDING, Timeline, limb_of
from service.review.build import Review
from service.review.instances import Instance
from service.rulebook.load import Rulebook
from service.wording.headings import SEVERITIES
from service.wording.places import Places, time_of

from .lane import Bar, Mark
from .vital_lanes import MONITORS, OF_MEMBER

#: Kinds of fact without a time of their own: a finding about one is drawn where the things are that it points at.
_TIMELESS = frozenset({"episode", "section", "pair", "person", "phrase"})
#: Where readings stand.
_READINGS = ("/monitoring/vitals/", "/monitoring/limb_checks/")
#: Attributes of a limb that say how long no check of it is charted.
_UNCHECKED = ("checks", "first_check", "longest_gap", "arrival_check")
#: What is not charted in a gap: key of the fact -> words.
_NO_ENTRY = {"capnography": "capnography", "oximetry": "oximetry", "ecg": "ECG", "observation": "observation"}


class Pins:
    """The findings of one review as the picture needs them. ``numbered``: (number on the page, instance of a finding)."""

    def __init__(
        self,
        review: Review,
        book: Rulebook,
        numbered: Sequence[tuple[int, Mapping[str, Any]]],
        places: Places,
        line: Timeline,
    ) -> None:
        self.book, self.places, self.line = book, places, line
        known = {one.fingerprint: one for found in review.found.values() for one in found}
        self.found = [(n, finding, known[finding["fingerprint"]]) for n, finding in numbered]
        self.stains: dict[str, str] = {}
        for _, finding, one in self.found:
            if finding["category"] == "completeness":
                continue
            for place in one.places:
                self.stains[place.where[0]] = _graver(self.stains.get(place.where[0]), finding["severity"])

    def stain(self, node: Node, *members: str) -> str | None:
        """The gravest severity of a finding about an object of the record, or about these members of it."""
        places = (node.at, *(f"{node.at}/{member}" for member in members))
        return min((self.stains[at] for at in places if at in self.stains), key=SEVERITIES.index, default=None)

    def stain_under(self, node: Node) -> str | None:
        """The same, about an object or anything in it."""
        found = (s for at, s in self.stains.items() if at == node.at or at.startswith(f"{node.at}/"))
        return min(found, key=SEVERITIES.index, default=None)

    def _lane_of(self, pointer: str) -> str | None:
        steps = [*pointer.split("/")[1:], "", "", ""][:4]
        match steps[0], steps[1]:
            case ("application", "limbs") | ("monitoring", "limb_checks"):
                item = self.places.item(pointer)
                known = isinstance(item, (record.LimbRestraint, record.LimbCheck))
                limb = limb_of(item.side, item.site) if known else ""  # type: ignore[union-attr]
                return limb if limb in BODY_PARTS else None
            case "application", "holds" | "body_weight":
                return "holds"
            case "monitoring", "vitals":
                return OF_MEMBER.get(steps[3], "vitals")
            case "monitoring", "breathing_checks":
                return "checks"
            case "monitoring", "events" | "actions":
                return "events"
            case "monitoring", name if name in MONITORS:
                return MONITORS[name]
            case "monitoring", "observation":
                return "observation"
            case (("transport" | "handover"), _):
                return "journey"
            case "injuries", "death":
                return "journey"
            case "reassessments", _:
                return "checks"
            case "stretcher", "belts":
                return "belts"
            case (("postures" | "sedation" | "custody"), _):
                return steps[0]
        return None

    def _spot(self, one: Instance) -> tuple[str, int, Span] | None:
        """(lane, moment, stretch) of a finding, None when it has no place in time."""
        fact, span = one.fact, one.span
        if fact.kind == "limb" and fact.key in BODY_PARTS and span is not None:
            return fact.key, span[0], span
        timeless = span is None or fact.kind in _TIMELESS
        # Readings first, of which the first is the worst; not the list in which an answer to them is missing.
        pointers = sorted(
            (place.where[0] for place in one.places),
            key=lambda at: fact.kind == "event" and not at.startswith(_READINGS),
        )
        for pointer in pointers:
            lane = self._lane_of(pointer)
            if lane is None:
                continue
            item = self.places.item(pointer)
            when = time_of(item) if item is not None else None
            # A reading is pinned where it stands: the message tells its value.
            if when is not None and (timeless or isinstance(item, (record.VitalSet, record.LimbCheck))):
                return lane, when[0], when if span is None or timeless else span
            if span is not None and not timeless:
                return lane, span[0], span
        return None

    def placed(self) -> Iterator[tuple[str | None, Mark]]:
        """(lane, finding) of every finding; without a lane where it has no place in time."""
        for number, finding, one in self.found:
            spot = self._spot(one)
            yield (
                (None, Mark(0, number, finding, (0, 0)))
                if spot is None
                else (spot[0], Mark(spot[1], number, finding, spot[2]))
            )

    def gaps(self) -> Iterator[tuple[str, Bar]]:
        """(lane, stretch without an entry) of every finding that is about one."""
        for _, finding, one in self.found:
            rule, spot = self.book.find(finding["rule"]["id"]), self._spot(one)
            if rule is None or spot is None or finding["category"] != "completeness":
                continue
            asked = [leaf.attribute for leaf in rule.fails_when.leaves()]
            if one.fact.kind == "gap":
                what, spans = _NO_ENTRY.get(one.fact.key, "vital signs"), [spot[2]]
            elif one.fact.kind == "limb" and any(each.startswith(_UNCHECKED) for each in asked):
                what, spans = "check", [spot[2], *self._others(one, finding)]
            else:
                continue
            for start, end in sorted(set(spans)):
                if end > start:
                    text = f"no {what} charted, {round((end - start) / 60)} min"
                    yield spot[0], Bar(start, end, "gap", text, finding["severity"])

    def _others(self, one: Instance, finding: Mapping[str, Any]) -> Iterator[Span]:
        """The stretches between two checks of a limb, besides the longest, that are over the limit of a finding."""
        limb, limit = self.line.limbs.get(one.fact.key), finding["parameters"].get("max_gap")
        if limb is None or limit is None or one.entry.rule.name != "limb-check-gap-too-long":
            return
        points = check_times(self.line, limb.limb)
        for span in limb.spans:
            for start, end in intervals.between(points, span):
                if end - start - ROUNDING > limit["value"] * 60:
                    yield start, end


def _graver(one: str | None, other: str) -> str:
    return other if one is None else min(one, other, key=SEVERITIES.index)
