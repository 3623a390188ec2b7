"""Codes, times and places of a record in words, for the pages."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import UTC, datetime, timedelta, timezone
from typing import Any

from service.episode import kinds, model
from service.episode.kinds import Absent, Moment, Node
from service.facts.model import item_label
from service.intake.episode_json import Intake, first_time
from service.rulebook.message import number, word

#: What an item is called where its own code does not say it.
_ITEMS: dict[type, str] = {
    model.LimbCheck: "check of",
    model.VitalSet: "vital signs",
    model.BreathingCheck: "breathing check",
    model.ObservationSpan: "observation",
    model.Person: "team member",
    model.Belt: "belt,",
    model.BodyWeight: "weight on",
    model.Hold: "hold of",
    model.Reassessment: "look at the need",
    model.Injury: "injury",
    model.Amendment: "amendment",
    model.NotGiven: "not given:",
}
_STARTS = ("time", "start", "on")
_ENDS = ("end", "off")


def unit(text: str) -> str:
    """A UCUM unit as people write it."""
    return {
        "mm[Hg]": "mmHg",
        "Cel": "°C",
        "a": "years",
        "wk": "weeks",
        "count": "",
        "score": "",
        "ratio": "",
        "deg": "°",
        "/min": "a minute",
    }.get(text, text)


def quantity(value: float, of: str) -> str:
    """A number with its unit."""
    return f"{number(value)} {unit(of)}".rstrip()


class Clock:
    """Times of one record in the record's own offset: that of its first time."""

    def __init__(self, episode: model.Episode) -> None:
        first = first_time(episode)
        self._offset = (first.when.utcoffset() if first else None) or timedelta(0)
        self._zone = timezone(self._offset)
        every = [moment.when for moment in _times(episode)]
        self.charted = bool(every)
        self.mixed = len({t.utcoffset() for t in every}) > 1
        self._first_day = min((t.astimezone(self._zone).date() for t in every), default=None)

    @property
    def zone(self) -> str:
        """``UTC-06:00``."""
        minutes = round(self._offset.total_seconds() / 60)
        return f"UTC{'-' if minutes < 0 else '+'}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"

    @property
    def day(self) -> str:
        """The day on which the record begins, YYYY-MM-DD; empty when it has no time."""
        return self._first_day.isoformat() if self._first_day else ""

    def at(self, seconds: int) -> datetime:
        """Epoch seconds as a time in the record's offset."""
        return datetime.fromtimestamp(seconds, UTC).astimezone(self._zone)

    def text(self, seconds: int) -> str:
        """``22:14``; on another day than the first with that day before it."""
        time = self.at(seconds)
        shown = f"{time:%H:%M:%S}" if time.second else f"{time:%H:%M}"
        return shown if time.date() == self._first_day else f"{time:%Y-%m-%d} {shown}"

    def span(self, start: int, end: int) -> str:
        """``22:14`` or ``22:14 to 22:31``."""
        return self.text(start) if start == end else f"{self.text(start)} to {self.text(end)}"

    def span_of(self, span: Mapping[str, str]) -> str:
        """The same of a span of a finding."""
        return self.span(*(int(datetime.fromisoformat(span[end]).timestamp()) for end in ("from", "to")))


def _times(node: Any) -> Iterator[Moment]:
    for member in kinds.members(type(node)):
        value = getattr(node, member.name)
        for item in value if isinstance(value, tuple) else (value,):
            if isinstance(item, Moment):
                yield item
            elif isinstance(item, Node):
                yield from _times(item)


def reach(node: Node) -> tuple[int, int] | None:
    """When an item was, as charted: (from, to) in epoch seconds; a missing end counts as its start."""
    start = next((t for name in _STARTS if (t := getattr(node, name, kinds.MISSING).epoch) is not None), None)
    if start is None:
        return None
    end = next((t for name in _ENDS if (t := getattr(node, name, kinds.MISSING).epoch) is not None), start)
    return start, max(start, end)


def name(node: Node) -> str:
    """What an item is: its kind and the codes that tell it apart."""
    said = [] if type(node) not in _ITEMS else [_ITEMS[type(node)]]
    codes = {
        m.name: word(getattr(node, m.name))
        for m in kinds.members(type(node))
        if m.required and isinstance(m.kind, kinds.Code)
    }
    if "site" in codes:
        said += [codes["side"], codes["site"]]
    else:
        said += codes.values()
    if not said:
        said = [word(node.at.split("/")[-2])]
    return " ".join(said)


class Places:
    """Finds what a location in the sent document means in the episode."""

    def __init__(self, intake: Intake) -> None:
        self._episode = intake.episode
        self._language = intake.language
        self._back = (
            {}
            if intake.language == "pointer"
            else {place: pointer for pointer, place in reversed(list(intake.places.items()))}
        )

    def location(self, entry: Mapping[str, Any]) -> str:
        """The location as sent."""
        return str(entry[self._language])

    def pointer(self, entry: Mapping[str, Any]) -> str:
        """The location as a pointer of our episode."""
        place = self.location(entry)
        return place if self._language == "pointer" else self._back.get(place, "")

    def item(self, pointer: str) -> Node | None:
        """The innermost list item or timed part on the way to a pointer."""
        found: Node | None = None
        here: Any = self._episode
        for step in pointer.split("/")[1:]:
            if isinstance(here, tuple):
                here = here[int(step)] if step.isdigit() and int(step) < len(here) else None
                if isinstance(here, Node):
                    found = here
            elif isinstance(here, Node):
                here = getattr(here, step, None)
                if isinstance(here, Node) and reach(here) is not None:
                    found = here
            if here is None or isinstance(here, Absent):
                break
        return found

    def describe(self, entry: Mapping[str, Any], clock: Clock) -> str:
        """One place of a finding in words: section, item with its time, member."""
        pointer = self.pointer(entry)
        steps = pointer.split("/")[1:]
        item = self.item(pointer)
        said = [word(steps[0])] if steps else ["the whole record"]
        if item is not None and item.at.split("/")[-1].isdigit():
            when = reach(item)
            said.append(name(item) if when is None else f"{name(item)} ({clock.span(*when)})")
        label = str(entry["label"])
        if word(label) not in said and (item is None or label != item_label(type(item))):
            said.append(label)
        return ", ".join(said)
