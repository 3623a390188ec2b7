"""Mapping files: where the custom elements of an agency or a vendor land in an episode.

Agency data in strict YAML, one mapping in each file, checked when the service
starts. ``into`` is a path of member names, ``*`` for the items of a list::

    id: example                 # letters, digits, hyphens
    title: What this is for
    source: Where the custom elements are defined
    match: id-and-title         # or: id
    elements:
      - id: X.Limbs             # CustomElementID
        title: Limbs restrained # eCustomConfiguration.01
        into: /application/limbs
        items:                  # every value makes these items of the list
          LA: [{side: left, site: wrist}]
        take: {on: eProcedures.01}   # members from the group that the value extends
        no_restraint: [straps]  # values that say that the group is about no restraint
      - id: X.Device
        title: Restraint device
        into: [/application/limbs/*/device]
        values: {"1": soft_cloth}    # their word -> ours; without it the value counts as it stands
      - id: X.Reason
        title: Reason
        into: /decision/behaviours/*/words
        with: {behaviour: other}     # what else an item holds that this value makes
        pick: first                  # of several values for one member: first, earliest or latest

Results that name one CorrelationID belong to one group: to the items that
stand for that element, else to items of their own. A value ``state.none``,
``state.recorded`` or ``state.declined.<reason>`` states a state instead; the
NV Not Reporting and Not Recorded do so for not collected and missing;
``state.empty`` is a text of no length.
"""

from __future__ import annotations

import functools
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from marshmallow import ValidationError

from service.episode import declaration
from service.intake import strict_yaml
from service.intake.schemas import schema_of

from .chart import CLASSES, MEMBERS

#: The only ``into`` that is no member: paths of members that the sender has no place for.
NOT_COLLECTED_PATH = "/not_collected"
PICKS = ("first", "earliest", "latest")
#: Elements of the standard from which an item can take a member.
TAKES = ("eProcedures.01", "eProcedures.10", "eMedications.01", "eVitals.01", "eExam.03")
_MAPPING_KEYS = {"id", "title", "source", "match", "elements"}
#: Key of an element of a mapping -> what it is.
KEYS = {
    "id": "CustomElementID of the element, from eCustomConfiguration.",
    "title": "Its title, eCustomConfiguration.01; case and white space do not count. With match: id the title is not asked for.",
    "into": "Where the value lands: a member path of the episode, * for the items of a list; or a list of paths.",
    "items": "For a list: every value of theirs with the items that it makes.",
    "take": "Members that such items take from the group of the standard that the value extends.",
    "no_restraint": "Values that say that their group is about no restraint, such as stretcher straps alone.",
    "values": "Their value and our word; without it the value counts as it stands.",
    "with": "What else an item holds that this value makes.",
    "pick": "Of several values for one member: which one counts.",
}
_ELEMENT_KEYS = set(KEYS)


class MappingError(Exception):
    """The mapping files cannot be used. ``lines``: one for each fault, with the file and the element."""

    def __init__(self, lines: list[str]) -> None:
        super().__init__("\n".join(lines))
        self.lines = lines


@dataclass(frozen=True, slots=True)
class Element:
    """One custom element of a mapping, as in the module's text (``beside``: ``with``). Titles and values are folded (``fold``)."""

    id: str
    title: str
    into: tuple[str, ...]
    by_id_only: bool = False
    items: Mapping[str, tuple[Mapping[str, Any], ...]] | None = None
    take: Mapping[str, str] = field(default_factory=dict)
    no_restraint: frozenset[str] = frozenset()
    values: Mapping[str, Any] | None = None
    beside: Mapping[str, Any] = field(default_factory=dict)
    pick: str = "first"


@dataclass(frozen=True, slots=True)
class Mappings:
    """All mappings of a process: CustomElementID -> its elements, with different titles."""

    elements: Mapping[str, tuple[Element, ...]]

    def find(self, ident: str, title: str) -> Element | None:
        """The element for a definition in a document, by id and title, or by id where that is enough; else None."""
        for element in self.elements.get(ident, ()):
            if element.by_id_only or element.title == fold(title):
                return element
        return None


def fold(text: str) -> str:
    """A text in folded case with single spaces, for comparison."""
    return " ".join(text.split()).casefold()


class _Reader:
    def __init__(self, name: str) -> None:
        self.name = name
        self.lines: list[str] = []

    def wrong(self, where: str, what: str) -> None:
        self.lines.append(f"{self.name}: {where}: {what}")

    def mapping(self, data: Any) -> Iterator[Element]:
        if not isinstance(data, dict) or set(data) != _MAPPING_KEYS or not isinstance(data["elements"], list):
            self.wrong("top", f"a mapping has exactly {', '.join(sorted(_MAPPING_KEYS))}; elements is a list")
            return
        if not isinstance(data["id"], str) or not re.fullmatch(r"[a-z0-9-]{1,64}", data["id"]):
            self.wrong("id", "letters, digits, hyphens")
        if data["match"] not in ("id-and-title", "id"):
            self.wrong("match", "id-and-title or id")
        for number, entry in enumerate(data["elements"], 1):
            element = self._element(entry, f"element {number}", data["match"] == "id")
            if element is not None:
                yield element

    def _element(self, entry: Any, where: str, by_id_only: bool) -> Element | None:
        if not isinstance(entry, dict) or not {"id", "title", "into"} <= set(entry) <= _ELEMENT_KEYS:
            self.wrong(
                where,
                f"an element has id, title, into, and may have {', '.join(sorted(_ELEMENT_KEYS - {'id', 'title', 'into'}))}",
            )
            return None
        if not all(isinstance(entry[name], str) and entry[name].strip() for name in ("id", "title")):
            self.wrong(where, "id and title are texts")
            return None
        where = f"{where} ({entry['id']})"
        into = entry["into"] if isinstance(entry["into"], list) else [entry["into"]]
        before = len(self.lines)
        self._paths(into, entry, where)
        if len(self.lines) > before:
            return None
        return Element(
            id=entry["id"],
            title=fold(entry["title"]),
            into=tuple(into),
            by_id_only=by_id_only,
            items=self._items(entry.get("items"), into, where),
            take=self._take(entry.get("take", {}), into, where),
            no_restraint=frozenset(fold(str(v)) for v in self._list(entry.get("no_restraint", []), where)),
            values=self._values(entry.get("values"), into, where),
            beside=self._members(entry.get("with", {}), f"{into[0].rpartition('/')[0]}", where),
            pick=self._pick(entry.get("pick", "first"), where),
        )

    def _paths(self, into: list[Any], entry: dict[str, Any], where: str) -> None:
        for path in into:
            member = MEMBERS.get(path) if isinstance(path, str) else None
            if path == NOT_COLLECTED_PATH:
                continue
            if member is None:
                self.wrong(where, "into names no member of the episode")
            elif "items" in entry and not isinstance(member.kind, declaration.Items):
                self.wrong(where, "items make items of a list: into is the list")
        if not into or ("items" in entry and len(into) > 1):
            self.wrong(where, "into is a path or a list of paths; one path with items")

    def _list(self, value: Any, where: str) -> list[Any]:
        if isinstance(value, list):
            return value
        self.wrong(where, "no_restraint is a list")
        return []

    def _items(self, value: Any, into: list[str], where: str) -> Mapping[str, tuple[Mapping[str, Any], ...]] | None:
        if value is None:
            return None
        if not isinstance(value, dict) or not all(isinstance(v, list) for v in value.values()):
            self.wrong(where, "items: a list of items for every value")
            return None
        return {
            fold(str(key)): tuple(
                self._members(item, f"{into[0]}/*", f"{where} items {key}", whole=True) for item in items
            )
            for key, items in value.items()
        }

    def _members(self, value: Any, path: str, where: str, *, whole: bool = False) -> Mapping[str, Any]:
        cls = CLASSES.get(path)
        if not isinstance(value, dict) or (value and cls is None):
            self.wrong(where, "members by name")
            return {}
        if cls is None:
            return value
        for name, inner in value.items():
            if name not in declaration.by_name(cls):
                self.wrong(where, "a member that the episode does not have")
                continue
            try:
                schema_of(cls).fields[name].deserialize(inner)
            except ValidationError:
                self.wrong(where, f"{name} cannot have this value")
        if whole and any(m.required and m.name not in value for m in declaration.members(cls)):
            self.wrong(where, "an item needs what says which thing it is")
        return value

    def _take(self, value: Any, into: list[str], where: str) -> Mapping[str, str]:
        cls = CLASSES.get(f"{into[0]}/*")
        known = declaration.by_name(cls) if cls else {}
        if not isinstance(value, dict) or any(
            name not in known or source not in TAKES for name, source in value.items()
        ):
            self.wrong(where, f"take: a member of the items for one of {', '.join(TAKES)}")
            return {}
        return value

    def _values(self, value: Any, into: list[str], where: str) -> Mapping[str, Any] | None:
        if value is None:
            return None
        if not isinstance(value, dict):
            self.wrong(where, "values: theirs and ours")
            return None
        for path in into:
            around, _, name = path.rpartition("/")
            member, cls = MEMBERS.get(path), CLASSES.get(around)
            for ours in value.values():
                one = (
                    [ours]
                    if member is not None
                    and isinstance(member.kind, (declaration.Codes, declaration.Idents))
                    and not isinstance(ours, dict)
                    else ours
                )
                try:
                    schema_of(cls).fields[name].deserialize(one)
                except ValidationError:
                    self.wrong(where, f"{path} cannot have a value that values gives it")
                    break
        return {fold(str(theirs)): ours for theirs, ours in value.items()}

    def _pick(self, value: Any, where: str) -> str:
        if value not in PICKS:
            self.wrong(where, f"pick is one of {', '.join(PICKS)}")
            return "first"
        return str(value)


def load_mappings(*directories: Path) -> Mappings:
    """Every ``*.yaml`` of the directories. Raises MappingError with every fault at once."""
    found: dict[str, list[Element]] = {}
    lines: list[str] = []
    for directory in directories:
        paths = sorted(directory.glob("*.yaml"))
        if not paths:
            lines.append(f"{directory.name}: no mapping file")
        for path in paths:
            reader = _Reader(path.name)
            try:
                elements = list(reader.mapping(strict_yaml.load(path)))
            except strict_yaml.YamlError as error:
                lines.append(str(error))
                continue
            lines += reader.lines
            for element in elements:
                same = found.setdefault(element.id, [])
                if any(e.title == element.title or e.by_id_only or element.by_id_only for e in same):
                    lines.append(f"{path.name}: element {element.id} is mapped twice")
                same.append(element)
    if lines:
        raise MappingError(lines)
    return Mappings({ident: tuple(elements) for ident, elements in found.items()})


def shipped_directory() -> Path:
    """The folder of the mappings that come with the service."""
    return Path(__file__).resolve().parent / "mappings"


@functools.cache
def shipped() -> Mappings:
    """The mappings that come with the service, read once."""
    return load_mappings(shipped_directory())
