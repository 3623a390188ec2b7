"""Custom elements of one chart: their values as members of the episode, by the mappings."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from service.episode import declaration
from service.episode.absence import DECLINED_REASONS
from service.problems import Rejected

from . import codes
from .chart import MEMBERS, Chart, Spot, as_number, fits_id, moment
from .mapping import NOT_COLLECTED_PATH, Element, Mappings, fold
from .tree import El

_DECLINED = re.compile(r"state\.declined\.([a-z_]+)", re.ASCII)
NONE, RECORDED, EMPTY = "state.none", "state.recorded", "state.empty"
#: The most members of items that the custom values of one chart set: many values can name many items each.
MOST_LANDINGS = 100_000
#: Groups of the standard that a custom element can extend, and from which its items can take members.
_EXTENDED = (
    ("eProcedures", "eProcedures.ProcedureGroup"),
    ("eMedications", "eMedications.MedicationGroup"),
    ("eVitals", "eVitals.VitalGroup"),
    ("eExam", "eExam.AssessmentGroup"),
)
_TRUE, _FALSE = ("true", "1", "yes", codes.YES), ("false", "0", "no", codes.NO)


@dataclass(frozen=True, slots=True)
class Result:
    """One eCustomResults.ResultsGroup that a mapping knows."""

    element: Element
    key: str | None
    values: tuple[El, ...]
    group: El


#: The value of a custom element that is Not Recorded: the member is missing, whatever the standard elements say.
_CLEAR = object()


#: (CustomElementID -> element of a mapping, CustomElementID -> definition of which a mapping has the id, not the title).
Definitions = tuple[dict[str, Element], dict[str, El]]


def definitions(header: El, mappings: Mappings) -> Definitions:
    """The elements of the mappings for the custom elements that a header defines."""
    active: dict[str, Element] = {}
    by_id: dict[str, El] = {}
    for group in header.each("eCustomConfiguration", "eCustomConfiguration.CustomGroup"):
        ident = group.attribute("CustomElementID")
        element = mappings.find(ident, group.get("eCustomConfiguration.01").text)
        if element is not None:
            active[ident] = element
        elif ident in mappings.elements:
            by_id[ident] = group
    return active, by_id


def results(chart: Chart, active: Mapping[str, Element], by_id: Mapping[str, El]) -> list[Result]:
    """The results of a chart that a mapping knows, in their order; a notice for each other custom element."""
    found: list[Result] = []
    told: set[str] = set()
    for group in chart.pcr.get("eCustomResults").each("eCustomResults.ResultsGroup"):
        ident = group.get("eCustomResults.02").text
        element = active.get(ident)
        if element is None:
            if ident not in told:
                told.add(ident)
                chart.notice("custom-element-not-matched" if ident in by_id else "custom-element-not-mapped", group.at)
            continue
        key = group.get("eCustomResults.03").text or group.key
        found.append(Result(element, key, tuple(group.each("eCustomResults.01")), group))
    chart.referenced = {result.key for result in found}
    return found


class Custom:
    """Sets the members that the results are mapped to."""

    def __init__(self, chart: Chart, found: Iterable[Result]) -> None:
        self._chart = chart
        self._results = list(found)
        self._aliases: dict[str, list[Spot]] | None = None
        self._groups: dict[str, El] | None = None
        self._known: set[str] | None = None
        self._landed = 0
        self._made = {path for r in self._results if r.element.items is not None for path in r.element.into}
        #: List -> items that results without a CorrelationID made.
        self._plain: dict[str, list[Spot]] = {}
        #: (id of the object, member) of what a result has set: a second result does not replace the first.
        self._set: set[tuple[int, str]] = set()
        #: List -> id of an item -> its place in the order in which results first name the items.
        self._named: dict[str, dict[int, int]] = {}
        self.not_collected: list[str] | None = None

    def apply(self) -> None:
        """Read all results: first which groups are about no restraint, then those that make items, then the rest."""
        dropped = set()
        for result in self._results:
            if any(fold(el.text) in result.element.no_restraint for el in result.values):
                dropped.add(result.key)
                self._chart.notice("no-restraint-by-mapping", result.group.at)
        kept = [r for r in self._results if r.key not in dropped or r.key is None]
        for result in kept:
            if result.element.items is not None:
                self._make(result)
        for result in kept:
            if result.element.items is None:
                for path in result.element.into:
                    self._land(result, path)
        for path, order in self._named.items():
            spots = self._chart.lists.get(path, [])
            if all(id(spot) in order for spot in spots):
                spots.sort(key=lambda spot: order[id(spot)])

    # ------------------------------------------------------------ items

    def _spots(self, path: str, key: str | None) -> list[Spot]:
        """The items of a list that a CorrelationID names: by their own key, or by one of an element inside theirs."""
        if key is None:
            return self._plain.get(path, [])
        found = self._chart.by_key.get((path, key), [])
        if found:
            return found
        if self._aliases is None:
            self._aliases = {}
            for spots in self._chart.lists.values():
                for spot in spots:
                    for ident in _correlations(spot.el):
                        self._aliases.setdefault(ident, []).append(spot)
        return [spot for spot in self._aliases.get(key, []) if spot.listed == path]

    def _make(self, result: Result) -> None:
        path = result.element.into[0]
        group = self._extended(result.key)
        for el in result.values:
            if self._state(result, el, path):
                continue
            templates = (result.element.items or {}).get(fold(el.text))
            if templates is None:
                self._chart.notice("custom-value-not-mapped", el.at)
                continue
            for number, template in enumerate(templates, 1):
                spot = self._new(path, el, result.key)
                spot.data.pop("id", None)
                value = el.text if fits_id(el.text) else "item"
                ident = f"{result.key}.{value}" + (f".{number}" if len(templates) > 1 else "")
                if result.key and fits_id(ident):
                    spot.data["id"] = ident
                for name, value in template.items():
                    self._chart.set_value(spot, name, value, el, override=True)
                for name, source in result.element.take.items():
                    self._chart.take(spot, name, group.get(source), _CONVERT.get(source))

    def _extended(self, key: str | None) -> El:
        """The procedure, medication, vital or examination group with a CorrelationID; a false element where there is none."""
        pcr = self._chart.pcr
        if self._groups is None:
            self._groups = {}
            for section, name in _EXTENDED:
                for group in pcr.each(section, name):
                    self._groups.setdefault(group.attribute("CorrelationID"), group)
        return (self._groups.get(key) if key else None) or El(None, "", pcr)

    # ------------------------------------------------------------ members

    def _land(self, result: Result, path: str) -> None:
        if path == NOT_COLLECTED_PATH:
            self.not_collected = (self.not_collected or []) + [el.text for el in result.values if el.text != NONE]
            return
        around, _, name = path.rpartition("/")
        if not around.endswith("/*"):
            spot = self._chart.part(around, result.group)
            self._put(result, spot, name, path, list(result.values))
            return
        listed = around.removesuffix("/*")
        if listed in self._made and not self._spots(listed, result.key):
            return
        spots = self._items_for(result, listed)
        self._landed += len(spots)
        if self._landed > MOST_LANDINGS:
            raise Rejected(422, "too-many-items")
        order = self._named.setdefault(listed, {})
        for spot in spots:
            order.setdefault(id(spot), len(order))
            for other, value in result.element.beside.items():
                if other not in spot.data:
                    self._chart.set_value(spot, other, value, result.group)
            self._put(result, spot, name, path, list(result.values))

    def _items_for(self, result: Result, listed: str) -> list[Spot]:
        found = self._spots(listed, result.key)
        if found:
            return found
        existing = self._chart.lists.get(listed, [])
        if result.key is None and len(existing) == 1:
            return existing
        if result.key is None and existing:
            self._chart.notice("no-correlation", result.group.at)
            return []
        if result.key is not None and not self._names_something(result.key):
            self._chart.notice("unknown-correlation", result.group.at)
        return [self._new(listed, result.group, result.key)]

    def _new(self, path: str, el: El, key: str | None) -> Spot:
        """A new item of a list that no standard element stands for; an empty list there no longer says none."""
        around, _, name = path.rpartition("/")
        section = self._chart.objects.get(around)
        if section is not None and (id(section), name) not in self._set:
            section.data.pop(name, None)
        spot = self._chart.item(path, el, key)
        if key is None:
            self._plain.setdefault(path, []).append(spot)
        return spot

    def _names_something(self, key: str) -> bool:
        if self._known is None:
            self._known = set(_correlations(self._chart.pcr))
        return key in self._known

    def _put(self, result: Result, spot: Spot, name: str, path: str, values: list[El]) -> None:
        member = MEMBERS[path]
        read: list[tuple[Any, El]] = []
        for el in values:
            value = self._value(result.element, member.kind, el)
            if value is None:
                self._chart.notice("custom-value-not-mapped", el.at)
                continue
            read.append((value, el))
        if not read:
            return
        first, el = read[0]
        if first is _CLEAR:
            self._chart.clear(spot, name, path)
            return
        read = [pair for pair in read if pair[0] is not _CLEAR]
        if isinstance(member.kind, (declaration.Codes, declaration.Idents)) and not isinstance(first, (dict, list)):
            words = list(dict.fromkeys(v for v, _ in read if isinstance(v, str)))
            self._chart.set_value(spot, name, words, el, override=True)
            return
        for value, at in read:
            self._one(result.element, spot, name, path, value, at)

    def _one(self, element: Element, spot: Spot, name: str, path: str, value: Any, el: El) -> None:
        if value == {"recorded": True}:
            self._chart.part(path, el).recorded = True
            return
        if (id(spot), name) in self._set:
            before = spot.data.get(name)
            if element.pick == "first" or not isinstance(value, str) or not isinstance(before, str):
                if value != before:
                    self._chart.notice("conflict", el.at)
                return
            here, there = moment(value), moment(before)
            if here is None or there is None or (here < there) != (element.pick == "earliest"):
                return
        if self._chart.set_value(spot, name, value, el, override=True):
            self._set.add((id(spot), name))

    def _state(self, result: Result, el: El, path: str) -> bool:
        """Set the state that a value states for a list in place of items; False for a value that states none."""
        around, _, name = path.rpartition("/")
        value = _stated(el, MEMBERS[path].kind) if path in MEMBERS else None
        if value is None:
            return False
        if value is not _CLEAR:
            self._chart.set_value(self._chart.part(around, result.group), name, value, el, override=True)
        return True

    @staticmethod
    def _value(element: Element, kind: declaration.Kind, el: El) -> Any:
        stated = _stated(el, kind)
        if stated is not None:
            return stated
        if element.values is not None:
            return element.values.get(fold(el.text))
        return _as(kind, el)


def _service(code: str) -> str | None:
    """Our word for whom the one in this role works for."""
    found = codes.ROLE_SERVICE.get(code)
    return found.word if found else "ems" if code in codes.CREW_ROLES else None


#: Element from which an item takes a member -> what makes a word of its code.
_CONVERT = {"eProcedures.10": _service}


def _stated(el: El, kind: declaration.Kind) -> Any:
    """The state that a value states, in words or by NV or PN; None for any other value."""
    if not el.raw:
        return el.absence or _CLEAR
    text = el.text
    if text == NONE:
        if isinstance(kind, declaration.Part):
            return {"none": True}
        return [] if isinstance(kind, (declaration.Items, declaration.Codes, declaration.Idents)) else None
    if text == RECORDED and isinstance(kind, declaration.Part):
        return {"recorded": True}
    if text == EMPTY and isinstance(kind, declaration.Text):
        return ""
    match = _DECLINED.fullmatch(text)
    return {"absent": "declined", "reason": match.group(1)} if match and match.group(1) in DECLINED_REASONS else None


def _as(kind: declaration.Kind, el: El) -> Any:
    """The text of a value as its member has it; None where it cannot be."""
    text = el.text
    if isinstance(kind, (declaration.Int, declaration.Num)):
        return as_number(text)
    if isinstance(kind, declaration.Flag):
        return True if text.lower() in _TRUE else False if text.lower() in _FALSE else None
    if isinstance(kind, (declaration.Code, declaration.Codes)):
        return text if text in kind.words else None
    if isinstance(kind, declaration.Text):
        return el.raw
    if isinstance(kind, (declaration.Items, declaration.Part)):
        return None
    return text


def _correlations(el: El) -> list[str]:
    if el.node is None:
        return []
    return [ident for node in el.node.iter() if isinstance(ident := node.get("CorrelationID"), str)]
