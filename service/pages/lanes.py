"""What the picture of an episode shows, lane by lane; ``picture`` draws it.

Times are epoch seconds. Nothing here judges: a thing has a color only where a
finding points at it, and a stretch is a gap only where the record has no check
at all or a finding says so.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from service.episode import record
from service.episode.absence import Absent
from service.episode.declaration import Node
from service.episode.words import LIMBS
from service.facts import intervals
from service.facts.entries import items
from service.facts.limbs import check_times
from service.facts.timeline import ROUNDING, LimbTime, Timeline, limb_of
from service.review.build import Review
from service.rulebook.load import Rulebook
from service.rulebook.rule import Rule
from service.wording.headings import SEVERITIES, sentence
from service.wording.places import Places, item_name, time_of
from service.wording.quantities import quantity
from service.wording.words import word

from .lane import Bar, Dot, Lane, Mark, Picture, Reading, time_drawn
from .limits import gap_limits, limits

#: Kinds of fact without a time of their own: a finding about one is drawn where the things are that it points at.
_TIMELESS = frozenset({"episode", "section", "pair", "person", "phrase"})
#: List of spans on a monitor -> the reading in whose lane they are drawn.
_MONITORS = {"capnography": "etco2_mmhg", "oximetry": "spo2", "ecg": "hr"}
_READINGS = {"etco2_mmhg": "EtCO2", "spo2": "SpO2", "rr": "Breathing rate", "hr": "Heart rate"}
_UNITS = {"etco2_mmhg": "mmHg", "spo2": "%", "rr": "/min", "hr": "/min"}
#: Other members of a set of vital signs -> the reading in whose lane their findings are drawn.
_OF_MEMBER = {"etco2_waveform": "etco2_mmhg", "rhythm": "hr", "qtc_ms": "hr"}
#: State of an absent list -> what its empty lane says.
_NONE = {
    "missing": "no entry",
    "not_collected": "the charting system cannot hold it",
    "declined": "declined, with a reason",
}


class Lanes:
    """Makes the lanes of one review. ``numbered``: (number on the page, finding)."""

    def __init__(
        self, review: Review, book: Rulebook, numbered: Sequence[tuple[int, Mapping[str, Any]]], places: Places
    ) -> None:
        self.episode = review.intake.episode
        self.line = Timeline(self.episode)
        self.book = book
        self.numbered = numbered
        self.places = places
        self.sheet = review.sheet
        self.document = review.document
        self.findings = [finding for _, finding in numbered]
        self.stains = self._stains()
        self.lanes = {lane.key: lane for lane in (self._journey(), self._custody(), self._postures(), self._holds(), *self._limbs(), self._belts(),
                      self._sedation(), *self._readings(), self._vitals(), self._observation(), self._checks(), self._events())}  # fmt: skip

    # ------------------------------------------------------------ findings

    def _stains(self) -> dict[str, str]:
        """Pointer -> the gravest severity of a finding about what is charted there."""
        out: dict[str, str] = {}
        for finding in self.findings:
            if finding["category"] == "completeness":
                continue
            for entry in finding["pointers"]:
                place = self.places.pointer(entry)
                if place not in out or SEVERITIES.index(finding["severity"]) < SEVERITIES.index(out[place]):
                    out[place] = finding["severity"]
        return out

    def _lane_of(self, pointer: str) -> str | None:
        steps = [*pointer.split("/")[1:], "", "", ""][:4]
        match steps[0], steps[1]:
            case ("application", "limbs") | ("monitoring", "limb_checks"):
                item = self.places.item(pointer)
                return (
                    limb_of(item.side, item.site)
                    if isinstance(item, (record.LimbRestraint, record.LimbCheck))
                    else None
                )
            case "application", "holds" | "body_weight":
                return "holds"
            case "monitoring", "vitals":
                member = _OF_MEMBER.get(steps[3], steps[3])
                return member if member in _READINGS else "vitals"
            case "monitoring", "breathing_checks":
                return "checks"
            case "monitoring", "events" | "actions":
                return "events"
            case "monitoring", name if name in _MONITORS:
                return _MONITORS[name]
            case "monitoring", "observation":
                return "observation"
            case (("transport" | "handover"), _):
                return "journey"
            case "reassessments", _:
                return "checks"
            case "stretcher", "belts":
                return "belts"
            case (("postures" | "sedation" | "custody"), _):
                return steps[0]
        return None

    def _limb_of_finding(self, finding: Mapping[str, Any]) -> str | None:
        for entry in finding["pointers"]:
            lane = self._lane_of(self.places.pointer(entry))
            if lane in LIMBS:
                return lane
        return None

    def _spot(self, finding: Mapping[str, Any]) -> tuple[str, int] | None:
        """(lane, time) of a finding, None when it has no place in time."""
        rule = self.book.find(finding["rule"]["id"])
        timeless = rule is None or rule.about in _TIMELESS
        for entry in finding["pointers"]:
            pointer = self.places.pointer(entry)
            lane = self._lane_of(pointer)
            if lane is None:
                continue
            if (
                rule is not None
                and _about_first_check(rule)
                and lane in self.line.limbs
                and self.line.limbs[lane].spans
            ):
                return lane, self.line.limbs[lane].spans[0][0]
            if finding["span"] is not None and not timeless:
                return lane, _seconds(finding["span"]["from"])
            item = self.places.item(pointer)
            when = time_of(item) if item is not None else None
            if when is not None:
                return lane, when[0]
        return None

    def picture(self) -> Picture:
        """The lanes with the findings on them, and the time to draw."""
        unplaced = []
        for amount, finding in self.numbered:
            spot = self._spot(finding)
            mark = Mark(0 if spot is None else spot[1], amount, finding)
            if spot is None:
                unplaced.append(mark)
                continue
            self.lanes[spot[0]].marks.append(mark)
            rule = self.book.find(finding["rule"]["id"])
            if rule is not None and rule.about == "gap" and finding["category"] == "completeness" and finding["span"]:
                self.lanes[spot[0]].gaps.append((_seconds(finding["span"]["from"]), _seconds(finding["span"]["to"])))
        window, outside = time_drawn(lane for lane in self.lanes.values())
        return Picture(tuple(self.lanes.values()), window, outside, tuple(unplaced))

    # ------------------------------------------------------------ shared

    def _stain(self, node: Node, member: str | None = None) -> str | None:
        found = [
            self.stains[at] for at in (node.at, *((f"{node.at}/{member}",) if member else ())) if at in self.stains
        ]
        return min(found, key=SEVERITIES.index, default=None)

    def _bar(self, node: Node, start: Any, end: Any, kind: str, text: str) -> Bar | None:
        first = start.epoch
        if first is None:
            return None
        own = end.epoch
        last, still = (own, False) if own is not None else self.line.end_of(end)
        if last is None or last < first:
            return Bar(first, first, kind, text, self._stain(node))
        return Bar(first, last, kind, text, self._stain(node), still)

    @staticmethod
    def _none(value: Any, empty: str = "none charted") -> str:
        return _NONE[value.state] if isinstance(value, Absent) else empty

    # ------------------------------------------------------------ lanes in order

    def _journey(self) -> Lane:
        transport, handover = self.episode.transport, self.episode.handover
        lane = Lane("journey", "Transport and handover", self._none(transport, "no time charted"))
        times = [self.line.contact, self.line.departed, self.line.arrived, self.line.handover]
        for start, end, text in zip(
            times, times[1:], ("with the patient", "on the way", "at the destination"), strict=False
        ):
            if start is not None and end is not None and end > start:
                lane.bars.append(Bar(start, end, "care", text))
        told = transport.facility_told_time.epoch
        named = (
            *zip(times, ("contact", "left scene", "arrived", "transfer of care"), strict=True),
            (told, "facility told"),
        )
        lane.dots += [Dot(time, text, None, True) for time, text in named if time is not None]
        died = self.episode.injuries.death.time.epoch
        if died is not None:
            lane.dots.append(Dot(died, "death", self.stains.get("/injuries/death"), True))
        if isinstance(handover, Absent) and not lane.empty:
            lane.none = ""
        return lane

    def _custody(self) -> Lane:
        custody = self.episode.custody
        lane = Lane("custody", "Custody", self._none(custody))
        if isinstance(custody, Absent):
            return lane
        arrived = custody.arrived.epoch
        if arrived is not None:
            lane.bars.append(
                Bar(
                    arrived,
                    max(arrived, custody.left.epoch or self.line.handover or arrived),
                    "care",
                    "officers present",
                )
            )
        for device in items(custody.devices):
            place = "" if isinstance(device.site, Absent) else f", {word(device.site)}"
            lane.bars += self._some(self._bar(device, device.on, device.off, "police", f"{word(device.device)}{place}"))
        for cover in items(custody.face_covers):
            lane.bars += self._some(self._bar(cover, cover.on, cover.off, "own", word(cover.cover)))
        sprayed = custody.irritant.time.epoch
        if sprayed is not None:
            lane.dots.append(Dot(sprayed, "irritant", None, True))
        return lane

    @staticmethod
    def _some(bar: Bar | None) -> list[Bar]:
        return [] if bar is None else [bar]

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
            lane.bars.append(
                Bar(
                    fact.span[0],
                    end,
                    "care" if before else "own",
                    f"{word(node.posture)}{degrees}{behind}{found}",
                    self._stain(node),
                    still,
                )
            )
        return lane

    def _holds(self) -> Lane:
        application = self.episode.application
        lane = Lane(
            "holds",
            "Holds and weight",
            self._none(application.holds),
        )
        for hold in items(application.holds):
            lane.bars += self._some(self._bar(hold, hold.start, hold.end, "own", item_name(hold)))
        for weight in items(application.body_weight):
            ours = weight.care == "this_unit"
            lane.bars += self._some(
                self._bar(weight, weight.start, weight.end, "own" if ours else "care", item_name(weight))
            )
        return lane

    def _limbs(self) -> list[Lane]:
        allowed = gap_limits(self.book, self.findings, self._limb_of_finding)
        listed = self.episode.monitoring.limb_checks
        out = []
        for limb in LIMBS:
            lane = Lane(limb, sentence(word(limb)), self._none(self.line.limb_items, "no device charted"))
            found = self.line.limbs.get(limb)
            checks = [c for c in items(listed) if limb in self.line.checked(c)]
            for check in checks:
                time = check.time.epoch
                if time is not None:
                    undone = not isinstance(check.not_done, Absent)
                    worst = min(
                        (s for at, s in self.stains.items() if at == check.at or at.startswith(f"{check.at}/")),
                        key=SEVERITIES.index,
                        default=None,
                    )
                    lane.dots.append(
                        Dot(
                            time,
                            f"check not done: {word(str(check.not_done))}" if undone else "limb checked",
                            worst,
                            hollow=undone,
                        )
                    )
            if found is not None:
                self._limb(lane, found, allowed.get(limb, (None, None)), listed)
            out.append(lane)
        return out

    def _limb(self, lane: Lane, found: LimbTime, allowed: tuple[int | None, int | None], listed: Any) -> None:
        for start, end in found.own_spans:
            worst = min((s for item in found.own if (s := self._stain(item))), key=SEVERITIES.index, default=None)
            lane.bars.append(Bar(start, end, "own", "restrained", worst, found.open and end == found.spans[-1][1]))
        for start, end in intervals.holes(found.spans, found.own_spans):
            lane.bars.append(Bar(start, end, "police", "police device"))
        points = check_times(self.line, found.limb)
        never = not any(intervals.inside(t, found.spans) for t in points)
        if never:
            # No check is charted: a gap whatever the limits are. A sender without a place for checks has no gap.
            lane.gaps += (
                []
                if isinstance(listed, Absent) and listed.state != "missing"
                else [s for s in found.spans if s[1] > s[0]]
            )
            return
        first, between = allowed
        for span in found.spans:
            begun = intervals.first_in(points, span)
            candidates = [] if first is None else [((span[0], begun if begun is not None else span[1]), first)]
            candidates += [] if between is None else [(gap, between) for gap in intervals.between(points, span)]
            lane.gaps += [gap for gap, limit in candidates if gap[1] - gap[0] - ROUNDING > limit]

    def _belts(self) -> Lane:
        stretcher = self.episode.stretcher
        lane = Lane("belts", "Belts", self._none(stretcher.belts))
        for belt in items(stretcher.belts):
            lane.bars += self._some(self._bar(belt, belt.on, belt.off, "own", word(belt.place)))
        return lane

    def _sedation(self) -> Lane:
        lane = Lane("sedation", "Sedation", self._none(self.line.dose_items, "no dose charted"))
        for dose in items(self.line.dose_items):
            time = dose.time.epoch
            if time is None:
                continue
            amount = (
                ""
                if isinstance(dose.dose, Absent) or isinstance(dose.unit, Absent)
                else f" {quantity(dose.dose, dose.unit)}"
            )
            route = (
                ""
                if isinstance(dose.route, Absent)
                else f" {dose.route.upper() if len(dose.route) == 2 else dose.route}"
            )
            lane.dots.append(Dot(time, f"{word(dose.drug)}{amount}{route}", self._stain(dose), True))
        return lane

    def _readings(self) -> list[Lane]:
        watch = self.episode.monitoring
        vitals = watch.vitals
        spans = {"capnography": watch.capnography, "oximetry": watch.oximetry, "ecg": watch.ecg}
        every = limits(self.book, self.document, self.sheet.facts[0])
        out = []
        for member, title in _READINGS.items():
            lane = Lane(member, title, self._none(vitals, "no reading charted"), _UNITS[member])
            lane.limits = [limit for limit in every if limit.member == member]
            for vital in items(vitals):
                time, value = vital.time.epoch, getattr(vital, member)
                if time is None:
                    continue
                if not isinstance(value, Absent):
                    lane.readings.append(Reading(time, float(value), self._stain(vital, member)))
                if member == "etco2_mmhg" and vital.etco2_waveform == "lost":
                    lane.readings.append(Reading(time, None, self._stain(vital, "etco2_waveform")))
            for monitor in (monitor for monitor, measured in _MONITORS.items() if measured == member):
                for span in items(spans[monitor]):
                    lane.bars += self._some(self._bar(span, span.start, span.end, "watch", monitor))
            out.append(lane)
        return out

    def _vitals(self) -> Lane:
        vitals = self.episode.monitoring.vitals
        lane = Lane("vitals", "Sets of vital signs", self._none(vitals))
        for vital in items(vitals):
            time = vital.time.epoch
            if time is None:
                continue
            lane.dots.append(Dot(time, "vital signs", self._stain(vital)))
            if not isinstance(vital.agitation_score, Absent) and not isinstance(vital.agitation_scale, Absent):
                score = (
                    vital.agitation_score
                    if vital.agitation_scale == "bars" or not vital.agitation_score
                    else f"{vital.agitation_score:+d}"
                )
                lane.dots.append(
                    Dot(time, f"{vital.agitation_scale.upper()} {score}", self._stain(vital, "agitation_score"), True)
                )
        return lane

    def _observation(self) -> Lane:
        spans = self.episode.monitoring.observation
        lane = Lane("observation", "Observation", self._none(spans))
        for span in items(spans):
            text = "watched" if isinstance(span.seat, Absent) else f"watched, {word(span.seat)}"
            lane.bars += self._some(self._bar(span, span.start, span.end, "watch", text))
        return lane

    def _checks(self) -> Lane:
        looks = self.episode.monitoring.breathing_checks
        lane = Lane("checks", "Breathing and need", self._none(looks))
        for look in items(looks):
            time = look.time.epoch
            if time is not None:
                lane.dots.append(Dot(time, "airway and breathing checked", self._stain(look)))
        for review in items(self.episode.reassessments):
            time = review.time.epoch
            if time is not None:
                decision = "" if isinstance(review.decision, Absent) else f": {word(review.decision)}"
                lane.dots.append(Dot(time, f"need{decision}", self._stain(review), True))
        return lane

    def _events(self) -> Lane:
        events = self.episode.monitoring.events
        lane = Lane("events", "Events and actions", self._none(events))
        listed: tuple[record.Event | record.Action, ...] = (*items(events), *items(self.episode.monitoring.actions))
        for item in listed:
            time = item.time.epoch
            if time is not None:
                lane.dots.append(Dot(time, item_name(item), self._stain(item), True))
        return lane


def _about_first_check(rule: Rule) -> bool:
    return rule.about == "limb" and any(leaf.attribute.startswith("first_check") for leaf in rule.fails_when.leaves())


def _seconds(text: str) -> int:
    return int(datetime.fromisoformat(text).timestamp())
