"""What the picture of an episode shows, lane by lane; ``picture`` draws it.

Times are epoch seconds. Nothing here judges: a thing has a color, and a stretch
is a gap, only where a finding says so.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from service.episode import record
from service.episode.absence import Absent
from service.episode.declaration import Node
from service.episode.words import BODY_PARTS
from service.facts import intervals
from service.facts.entries import items
from service.facts.timeline import Timeline
from service.review.build import Review
from service.rulebook.load import Rulebook
from service.wording.headings import SEVERITIES, sentence
from service.wording.places import Places, item_name
from service.wording.quantities import quantity
from service.wording.words import word

from .lane import Bar, Dot, Lane, Picture, time_drawn
from .limits import limits
from .pins import Pins
from .vital_lanes import vital_lanes

#: State of an absent list -> what its empty lane says.
_NONE = {
    "missing": "no entry",
    "not_collected": "the charting system cannot hold it",
    "declined": "declined, with a reason",
}


class Lanes:
    """Makes the lanes of one review. ``numbered``: (number on the page, instance of a finding)."""

    def __init__(
        self, review: Review, book: Rulebook, numbered: Sequence[tuple[int, Mapping[str, Any]]], places: Places
    ) -> None:
        self.episode = review.intake.episode
        self.line = Timeline(self.episode)
        self.places = places
        self.sheet = review.sheet
        self.pins = Pins(review, book, numbered, places, self.line)
        self.stain = self.pins.stain
        every = limits(book, review.document, self.sheet.facts[0])
        none = self._none(self.episode.monitoring.vitals, "none charted")
        vitals = vital_lanes(self.episode.monitoring, self.stain, every, self._bars, none)
        lanes = (self._journey(), self._custody(), self._postures(), self._holds(), *self._limbs(), self._belts(),
                 self._sedation(), *vitals, self._observation(), self._checks(), self._events())  # fmt: skip
        self.lanes = {lane.key: lane for lane in lanes}

    def picture(self) -> Picture:
        """The lanes with the findings on them, and the time to draw."""
        unplaced = []
        for lane, mark in self.pins.placed():
            if lane is None:
                unplaced.append(mark.number)
            else:
                self.lanes[lane].marks.append(mark)
        for key, gap in self.pins.gaps():
            # Several findings may be about the same stretch: the gravest is drawn.
            same = [g for g in self.lanes[key].gaps if (g.start, g.end) == (gap.start, gap.end)]
            if not same:
                self.lanes[key].gaps.append(gap)
            elif SEVERITIES.index(gap.severity or "info") < SEVERITIES.index(same[0].severity or "info"):
                self.lanes[key].gaps[self.lanes[key].gaps.index(same[0])] = gap
        window, outside = time_drawn(self.lanes.values())
        death = self.episode.injuries.death.time.epoch
        return Picture(tuple(self.lanes.values()), window, outside, tuple(unplaced), death)

    # ------------------------------------------------------------ shared

    def _bars(self, node: Node, start: Any, end: Any, kind: str, text: str) -> list[Bar]:
        """One bar, none where its start is not charted."""
        first = start.epoch
        if first is None:
            return []
        own = end.epoch
        last, still = (own, False) if own is not None else self.line.end_of(end)
        if last is None or last < first:
            last, still = first, False
        return [Bar(first, last, kind, text, self.stain(node), still)]

    @staticmethod
    def _none(value: Any, empty: str = "none charted") -> str:
        return _NONE[value.state] if isinstance(value, Absent) else empty

    # ------------------------------------------------------------ lanes in order

    def _journey(self) -> Lane:
        transport, death = self.episode.transport, self.episode.injuries.death
        lane = Lane("journey", "Transport and handover", self._none(transport, "no time charted"))
        times = [self.line.contact, self.line.departed, self.line.arrived, self.line.handover]
        for start, end, text in zip(
            times, times[1:], ("with the patient", "on the way", "at the destination"), strict=False
        ):
            if start is not None and end is not None and end > start:
                lane.bars.append(Bar(start, end, "care", text))
        named = (
            *zip(times, ("contact", "left scene", "arrived", "transfer of care"), strict=True),
            (transport.facility_told_time.epoch, "facility told"),
            (death.time.epoch, "death"),
        )
        for time, text in named:
            if time is not None:
                lane.dots.append(
                    Dot(time, text, self.pins.stains.get("/injuries/death") if text == "death" else None, True)
                )
        return lane

    def _custody(self) -> Lane:
        custody = self.episode.custody
        lane = Lane("custody", "Custody", self._none(custody))
        if isinstance(custody, Absent):
            return lane
        arrived = custody.arrived.epoch
        if arrived is not None:
            left = custody.left.epoch or self.line.handover or arrived
            lane.bars.append(Bar(arrived, max(arrived, left), "care", "officers present"))
        for device in items(custody.devices):
            place = "" if isinstance(device.site, Absent) else f", {word(device.site)}"
            lane.bars += self._bars(device, device.on, device.off, "police", f"{word(device.device)}{place}")
        for cover in items(custody.face_covers):
            lane.bars += self._bars(cover, cover.on, cover.off, "own", word(cover.cover))
        sprayed = custody.irritant.time.epoch
        if sprayed is not None:
            lane.dots.append(Dot(sprayed, "irritant", None, True))
        return lane

    def _postures(self) -> Lane:
        lane = Lane("postures", "Posture", self._none(self.episode.postures))
        for fact in self.sheet.facts:
            if fact.kind != "posture" or fact.span is None:
                continue
            node = self.places.item(fact.pointers[0].pointer)
            if not isinstance(node, record.Posture):
                continue
            before = node.care in ("found_at_contact", "before_contact")
            degrees = "" if isinstance(node.head_elevation_deg, Absent) else f" {node.head_elevation_deg}°"
            behind = ", hands behind back" if node.arms_behind_back is True else ""
            found = ", not in this unit's care" if before else ""
            end, still = fact.span[1], False
            if end == fact.span[0] and isinstance(node.end, Absent):
                lasted, still = self.line.end_of(node.end)
                end = max(end, lasted or end)
            text = f"{word(node.posture)}{degrees}{behind}{found}"
            lane.bars.append(Bar(fact.span[0], end, "care" if before else "own", text, self.stain(node), still))
        return lane

    def _holds(self) -> Lane:
        application = self.episode.application
        lane = Lane("holds", "Holds and weight", self._none(application.holds))
        for hold in items(application.holds):
            lane.bars += self._bars(hold, hold.start, hold.end, "own", item_name(hold))
        for weight in items(application.body_weight):
            kind = "own" if weight.care == "this_unit" else "care"
            lane.bars += self._bars(weight, weight.start, weight.end, kind, item_name(weight))
        return lane

    def _limbs(self) -> Iterator[Lane]:
        for limb in BODY_PARTS:
            empty = "" if limb == "torso" else "no device charted"
            lane = Lane(limb, sentence(word(limb)), self._none(self.line.limb_items, empty))
            for check in items(self.episode.monitoring.limb_checks):
                time = check.time.epoch
                if time is not None and limb in self.line.checked(check):
                    undone = not isinstance(check.not_done, Absent)
                    text = f"check not done: {word(str(check.not_done))}" if undone else "limb checked"
                    lane.dots.append(Dot(time, text, self.pins.stain_under(check), hollow=undone))
            found = self.line.limbs.get(limb)
            if found is not None:
                stains = (s for item in found.own if (s := self.stain(item)))
                worst = min(stains, key=SEVERITIES.index, default=None)
                for start, end in found.own_spans:
                    still = found.open and end == found.spans[-1][1]
                    lane.bars.append(Bar(start, end, "own", "restrained", worst, still))
                for start, end in intervals.holes(found.spans, found.own_spans):
                    lane.bars.append(Bar(start, end, "police", "police device"))
            yield lane

    def _belts(self) -> Lane:
        belts = self.episode.stretcher.belts
        lane = Lane("belts", "Belts", self._none(belts))
        for belt in items(belts):
            lane.bars += self._bars(belt, belt.on, belt.off, "own", word(belt.place))
        return lane

    def _sedation(self) -> Lane:
        lane = Lane("sedation", "Sedation", self._none(self.line.dose_items, "no dose charted"))
        for dose in items(self.line.dose_items):
            time = dose.time.epoch
            if time is None:
                continue
            said = [word(dose.drug)]
            if not isinstance(dose.dose, Absent) and not isinstance(dose.unit, Absent):
                said.append(quantity(dose.dose, dose.unit))
            if not isinstance(dose.route, Absent):
                said.append(dose.route.upper() if len(dose.route) == 2 else word(dose.route))
            lane.dots.append(Dot(time, " ".join(said), self.stain(dose), True))
        return lane

    def _observation(self) -> Lane:
        spans = self.episode.monitoring.observation
        lane = Lane("observation", "Observation", self._none(spans))
        for span in items(spans):
            text = "watched" if isinstance(span.seat, Absent) else f"watched, {word(span.seat)}"
            lane.bars += self._bars(span, span.start, span.end, "watch", text)
        return lane

    def _checks(self) -> Lane:
        looks = self.episode.monitoring.breathing_checks
        lane = Lane("checks", "Breathing and need", self._none(looks))
        for look in items(looks):
            time = look.time.epoch
            if time is not None:
                lane.dots.append(Dot(time, "airway and breathing checked", self.pins.stain_under(look)))
        for review in items(self.episode.reassessments):
            time = review.time.epoch
            if time is not None:
                decision = "" if isinstance(review.decision, Absent) else f": {word(review.decision)}"
                lane.dots.append(Dot(time, f"need{decision}", self.stain(review), True))
        return lane

    def _events(self) -> Lane:
        watch = self.episode.monitoring
        lane = Lane("events", "Events and actions", self._none(watch.events))
        listed: tuple[record.Event | record.Action, ...] = (*items(watch.events), *items(watch.actions))
        for item in listed:
            time = item.time.epoch
            if time is not None:
                lane.dots.append(Dot(time, item_name(item), self.stain(item), True))
        return lane
