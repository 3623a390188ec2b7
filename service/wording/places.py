"""Places of a record in words, such as "monitoring, check of left wrist (22:14), pulse"."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from service.episode import declaration, record
from service.episode.absence import MISSING, Absent
from service.episode.declaration import Node
from service.intake.result import Intake

from .clock import Clock
from .labels import item_label
from .words import word

#: What an item is called, before or in place of its code.
_ITEMS: dict[type, str] = {
    record.LimbCheck: "check of",
    record.VitalSet: "vital signs",
    record.BreathingCheck: "breathing check",
    record.ObservationSpan: "observation",
    record.Person: "team member",
    record.Belt: "belt,",
    record.BodyWeight: "weight on",
    record.Hold: "hold of",
    record.Reassessment: "look at the need",
    record.Injury: "injury",
    record.Amendment: "amendment",
    record.NotGiven: "not given:",
}
_STARTS = ("time", "start", "on")
_ENDS = ("end", "off")


def time_of(node: Node) -> tuple[int, int] | None:
    """(from, to) of an item as charted, in epoch seconds; without an end the start twice, without a start None."""
    start = next((t for name in _STARTS if (t := getattr(node, name, MISSING).epoch) is not None), None)
    if start is None:
        return None
    end = next((t for name in _ENDS if (t := getattr(node, name, MISSING).epoch) is not None), start)
    return start, max(start, end)


def item_name(node: Node) -> str:
    """An item in words: its kind and the codes that say which one it is."""
    said = [] if type(node) not in _ITEMS else [_ITEMS[type(node)]]
    codes = {
        m.name: word(getattr(node, m.name))
        for m in declaration.members(type(node))
        if m.required and isinstance(m.kind, declaration.Code)
    }
    if "site" in codes:
        said += [codes["side"], codes["site"]]
    else:
        said += codes.values()
    if not said:
        said = [word(node.at.split("/")[-2])]
    return " ".join(said)


class Places:
    """Finds the objects of the episode that the locations of a finding mean. A location is told in the sent document."""

    def __init__(self, intake: Intake) -> None:
        self._episode = intake.episode
        self._language = intake.language
        self._back = (
            {}
            if intake.language == "pointer"
            else {place: pointer for pointer, place in reversed(list(intake.places.items()))}
        )

    def location(self, entry: Mapping[str, Any]) -> str:
        """The location of an entry of a finding's ``pointers``, in the language of the sent document."""
        return str(entry[self._language])

    def pointer(self, entry: Mapping[str, Any]) -> str:
        """The same as a JSON Pointer into the episode; "" where it is not known."""
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
                if isinstance(here, Node) and time_of(here) is not None:
                    found = here
            if here is None or isinstance(here, Absent):
                break
        return found

    def describe(self, entry: Mapping[str, Any], clock: Clock) -> str:
        """An entry of a finding's ``pointers`` in words: section, item with its time, member."""
        pointer = self.pointer(entry)
        steps = pointer.split("/")[1:]
        item = self.item(pointer)
        said = [word(steps[0])] if steps else ["the whole record"]
        if item is not None and item.at.split("/")[-1].isdigit():
            when = time_of(item)
            said.append(item_name(item) if when is None else f"{item_name(item)} ({clock.span(*when)})")
        label = str(entry["label"])
        if word(label) not in said and (item is None or label != item_label(type(item))):
            said.append(label)
        return ", ".join(said)
