"""What has been read of a chart so far: objects, lists, their places, notices. It takes only values that members can have."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from datetime import datetime
from typing import Any

from service.checkpoint import Checkpoint, never
from service.episode import declaration, record
from service.episode.pointers import class_paths, member_paths
from service.formats.collector import CANNOT_TELL, SHARED_DETAILS, Collector
from service.formats.values import lacks

from .codes import APPROXIMATE, FINDING_NOT_PRESENT, Code
from .tree import El

#: code -> what the caller reads. Nothing here quotes the document.
DETAILS = SHARED_DETAILS | {
    "unknown-code": "This code is not known here; the record cannot tell it.",
    "nearest-word": "The episode has no word for this code; the nearest one was taken.",
    "unusable-unit": "This unit cannot be converted; the record cannot tell the value.",
    "unit-taken-as-mmhg": "No unit is given. No other unit reaches this value, so it was read as mm[Hg].",
    "read-as-zero": "Charted as not present on examination; read as 0.",
    "approximate": "Marked as approximate in the chart; read as it stands.",
    "negated-finding": "A finding is marked as not present; what was there instead is not charted.",
    "unknown-procedure": "This procedure is not known here; whether it was for the restraint or answered a danger cannot be told.",
    "unknown-diagnosis": "This symptom or impression is not known here and was not used.",
    "worse-after": "Charted as worse after it: read as a complication or adverse effect without a name.",
    "no-correlation": "The chart holds several of these, and nothing says to which one this custom value belongs. It was not used.",
    "unknown-correlation": "No element of the chart has this CorrelationID; the custom value was read by itself.",
    "custom-element-not-mapped": "No mapping knows this custom element; it was not used.",
    "custom-element-not-matched": "A mapping knows the id of this custom element, but not with this title; it was not used.",
    "custom-value-not-mapped": "The mapping of this custom element does not know this value; it was not used.",
    "no-restraint-by-mapping": "By the mapping this is no restraint, such as stretcher straps alone; it was not used.",
    "conflict": "The same thing stands in the chart with another value; the first was used.",
    "handed-to-other-unit": "No transfer of care at the destination is charted; the transfer to another unit was taken.",
    "age-from-birth-date": "No age is charted; it was taken from the date of birth, which is not kept.",
}

_ID = re.compile(declaration.ID_PATTERN.strip("^$"), re.ASCII)
_WHOLE = re.compile(r"[+-]?[0-9]{1,9}", re.ASCII).fullmatch
_DECIMAL = re.compile(r"[+-]?[0-9]{0,9}\.[0-9]{1,9}|[+-]?[0-9]{1,9}\.", re.ASCII).fullmatch


def fits_id(text: str) -> bool:
    """Whether a text can be an id in our JSON."""
    return _ID.fullmatch(text) is not None


#: Member path such as ``/application/limbs/*`` -> the class of the objects there; and of a member -> its declaration.
CLASSES = dict(class_paths())
MEMBERS = dict(member_paths())


class Spot:
    """One object that is being read. ``data``: its values by member; ``places``: their elements by member.

    ``key``: the CorrelationID by which custom elements name it.
    """

    __slots__ = ("cls", "data", "el", "key", "listed", "places", "recorded")

    def __init__(self, cls: type, el: El, key: str | None = None, listed: str = "") -> None:
        self.cls = cls
        #: The path of the list it is an item of.
        self.listed = listed
        self.el = el
        self.key = key
        self.data: dict[str, Any] = {}
        self.places: dict[str, El] = {}
        #: A custom element says that it is there, though perhaps with no member.
        self.recorded = False


class Chart(Collector):
    """What one patient care report has given so far."""

    def __init__(self, pcr: El, checkpoint: Checkpoint = never) -> None:
        super().__init__(DETAILS, pcr.at)
        self.pcr = pcr
        self._checkpoint = checkpoint
        self.objects: dict[str, Spot] = {"": Spot(record.Episode, pcr)}
        self.lists: dict[str, list[Spot]] = {}
        #: (path of a list, CorrelationID) -> its items with that key.
        self.by_key: dict[tuple[str, str], list[Spot]] = {}
        #: The procedure that is a restraint, if there is one.
        self.restraint: El | None = None
        #: CorrelationIDs that custom elements name.
        self.referenced: set[str | None] = set()

    # ------------------------------------------------------------ objects

    def part(self, path: str, el: El) -> Spot:
        """The object at a path without lists; made when it is first asked for, with that element as its place."""
        if path not in self.objects:
            self.objects[path] = Spot(CLASSES[path], el)
        return self.objects[path]

    def item(self, path: str, el: El, key: str | None = None) -> Spot:
        """A new item of a list. ``key``: its CorrelationID, which becomes its id where it can be one."""
        self._checkpoint()
        spot = Spot(CLASSES[f"{path}/*"], el, key, path)
        self.lists.setdefault(path, []).append(spot)
        if key is not None:
            self.by_key.setdefault((path, key), []).append(spot)
            if fits_id(key):
                spot.data["id"] = key
        return spot

    def answered(self, path: str, el: El) -> None:
        """Say that a list is charted: where nothing of it has been found, that there was none."""
        around, _, name = path.rpartition("/")
        spot = self.part(around, self.pcr)
        if path not in self.lists and name not in spot.data:
            self.set_value(spot, name, [], el)

    def forget_last(self, path: str) -> None:
        """Remove the last item of a list, in which nothing was found."""
        spot = self.lists[path].pop()
        if spot.key is not None:
            self.by_key[path, spot.key].pop()
        if not self.lists[path]:
            del self.lists[path]

    def clear(self, spot: Spot, name: str, path: str) -> None:
        """Remove a member and all inside it, so that it is missing. ``path``: of the member."""
        spot.data.pop(name, None)
        spot.places.pop(name, None)
        for inner in [p for p in self.lists if p == path or p.startswith(f"{path}/")]:
            del self.lists[inner]
        for inner in [p for p in self.objects if p == path or p.startswith(f"{path}/")]:
            del self.objects[inner]

    # ------------------------------------------------------------ values

    def set_value(self, spot: Spot, name: str, value: Any, el: El, *, override: bool = False) -> bool:
        """Set a member to a value, or to ``NOT_COLLECTED`` with a notice where it cannot have the value; whether it has it now.

        A second, different value is a notice, unless ``override`` lets it replace the first.
        """
        if name in spot.data and not override:
            if spot.data[name] != value:
                self.notice("conflict", el.at)
            return False
        member = declaration.by_name(spot.cls)[name]
        if isinstance(member.kind, declaration.Int) and type(value) is float and value.is_integer():
            value = int(value)
        fitting = self.fitting(spot.cls, member, value, el)
        if fitting is not value:
            if member.required or name in spot.data:
                return False
            self.misread(spot, name)
        spot.data[name] = fitting
        spot.places[name] = el
        return bool(fitting != CANNOT_TELL)

    def take(self, spot: Spot, name: str, el: El, convert: Callable[[str], Any] | None = None) -> bool:
        """Set a member from an element: its value, or why it has none; whether it has a value now.

        ``convert`` makes the value of the text; None for a text that is not understood.
        """
        if not el:
            return False
        if not el.text:
            absence = el.absence
            if absence is not None and name not in spot.data:
                self.set_value(spot, name, absence, el)
            return False
        if el.pn == APPROXIMATE:
            self.notice("approximate", el.at)
        value = convert(el.text) if convert else el.text
        if value is None:
            return self.unreadable(spot, name, el, "unknown-code")
        return self.set_value(spot, name, value, el)

    def unreadable(self, spot: Spot, name: str, el: El, code: str) -> bool:
        """Set a member to ``NOT_COLLECTED`` with a notice: something is charted that cannot be read. Always False."""
        self.notice(code, el.at)
        if name not in spot.data:
            self.misread(spot, name)
            self.set_value(spot, name, CANNOT_TELL, el)
        return False

    def number(self, spot: Spot, name: str, el: El, *, zero_if_not_present: bool = False) -> bool:
        """Set a number. An empty element that is marked as not present is declined, or 0 with ``zero_if_not_present``."""
        if el and not el.text and el.pn == FINDING_NOT_PRESENT:
            if zero_if_not_present:
                self.notice("read-as-zero", el.at)
                return self.set_value(spot, name, 0, el)
            return self.set_value(spot, name, {"absent": "declined", "reason": "unable_to_obtain"}, el)
        return self.take(spot, name, el, as_number)

    def code(self, spot: Spot, name: str, el: El, table: Mapping[str, Code]) -> bool:
        """Set the word that a table has for the code of an element."""
        found = table.get(el.text)
        if found is not None and found.near:
            self.notice("nearest-word", el.at)
        return self.take(spot, name, el, lambda _: found.word if found else None)

    # ------------------------------------------------------------ the episode

    def build(self) -> tuple[dict[str, Any], dict[str, El]]:
        """(the episode as our JSON has it, JSON Pointer -> element)."""
        places: dict[str, El] = {}
        value = self._object(record.Episode, "", "", places)
        places[""] = self.pcr
        return value or {}, places

    def _object(self, cls: type, path: str, pointer: str, places: dict[str, El]) -> dict[str, Any] | None:
        spot = self.objects.get(path)
        own = dict(spot.data) if spot else {}
        out: dict[str, Any] = {}
        around: El | None = spot.el if spot else None
        for member in declaration.members(cls):
            here, at = f"{path}/{member.name}", f"{pointer}/{member.name}"
            inner: Any = None
            if own.get(member.name) == [] and here in self.lists:
                own.pop(member.name)  # one element says that there was none, and another that there was
            if member.name in own:
                inner = own.pop(member.name)
                places[at] = spot.places.get(member.name, spot.el) if spot else self.pcr
            elif isinstance(member.kind, declaration.Items) and here in self.lists:
                inner = self._list(here, at, places)
            elif isinstance(member.kind, declaration.Part):
                inner = self._object(member.kind.of, here, at, places)
            if inner is not None:
                out[member.name] = inner
                if around is None:
                    # No element of the standard is this section: what is absent in it points at the report.
                    places.setdefault(pointer, self.pcr)
        out |= own
        if not out and not (spot and spot.recorded):
            return None
        if pointer and spot:
            places[pointer] = spot.el
        return out

    def _list(self, path: str, pointer: str, places: dict[str, El]) -> list[dict[str, Any]] | None:
        out: list[dict[str, Any]] = []
        seen: set[str] = set()
        for spot in self.lists[path]:
            if lacks(spot.cls, spot.data):
                self.notice("item-not-readable", spot.el.at)
                continue
            at = f"{pointer}/{len(out)}"
            ident = spot.data.get("id")
            if isinstance(ident, str):
                if ident in seen:
                    self.notice("duplicate-id", spot.el.at)
                    del spot.data["id"]
                seen.add(ident)
            self.tell_unread(spot, at)
            out.append({m.name: spot.data[m.name] for m in declaration.members(spot.cls) if m.name in spot.data})
            places[at] = spot.el
            places.update({f"{at}/{name}": where for name, where in spot.places.items() if name in spot.data})
        if not out:
            return None
        places[pointer] = places[f"{pointer}/0"].around
        return out


def moment(text: str) -> datetime | None:
    """A time with its offset, None for anything else."""
    try:
        found = datetime.fromisoformat(text.upper())
    except ValueError:
        return None
    return found if found.tzinfo else None


def as_number(text: str) -> int | float | None:
    """A decimal number as XML Schema writes it; None for anything else."""
    if _WHOLE(text):
        return int(text)
    if _DECIMAL(text):
        return float(text)
    return None
