"""What has been read of a Bundle so far: items, sections, their places, notices. It takes only values that members can have."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from service.episode import declaration, record
from service.episode.declaration import MOST_ITEMS
from service.formats.collector import CANNOT_TELL, SHARED_DETAILS, Collector
from service.formats.values import lacks, one_of
from service.problems import ProblemItem, Rejected

from . import profile
from .tree import El, Index, codings

#: code -> what the caller reads. Nothing here quotes the document.
DETAILS = SHARED_DETAILS | {
    "incomplete-searchset": "This search result says that there is more than the Bundle holds; what was not sent was not seen.",
    "not-a-resource": "This entry holds no resource that can be read.",
    "entered-in-error": "This is marked as entered in error and was not used.",
    "not-used-status": "By its status this was not done or not finished; it was not used.",
    "other-patient": "This belongs to another patient and was not used.",
    "other-encounter": "This belongs to another encounter and was not used.",
    "other-day": "This lies more than a day before or after the restraint and was not used.",
    "unknown-resource": "Resources of this type are not read.",
    "unknown-code": "No code here is known; this was not used.",
    "unknown-value": "This value is not understood; the record cannot tell it.",
    "unknown-unit": "This unit cannot be converted; the record cannot tell the value.",
    "no-unit": "No unit is given; the record cannot tell the value.",
    "boundary-value": "A reading beyond the range of the meter; its limit was used.",
    "rounded": "The value was rounded to a whole number.",
    "no-value": "No value and no usable reason why; this was not used.",
    "not-performed": "Charted as not performed, with no reason; read as no entry.",
    "conflict": "The same thing stands elsewhere with another value; both were kept apart or the first was used.",
    "dangling-reference": "What this refers to is not in the Bundle.",
    "no-body-site": "No body site is charted; the hold was read as of the whole body.",
    "unknown-body-site": "This body site is no limb with a side; it was not used.",
    "near-body-site": "Read as the usual site of a device on that limb.",
    "no-limb": "The limbs of this restraint are not charted.",
    "unknown-device": "This device is not known by its words; which it is cannot be told.",
    "procedure-left-aside": "This procedure plays no part in the review and was not used.",
    "diagnosis-left-aside": "This diagnosis plays no part in the review and was not used.",
    "no-dose": "There is no dose that can be used; a rate is not read as a dose.",
    "free-text": "Free text is read as words only; nothing is concluded from it.",
    "inexact-birth-date": "The birth date is not exact enough for an age.",
    "death-without-time": "The patient is marked as dead without a usable time; read as death in this episode.",
    "death-later": "Death is charted after the last time of the record; it was not used.",
    "unreadable-document": "A document that holds no plain text in the Bundle; it was not read.",
    "several-narratives": "There are several narratives; they were joined in their order.",
    "unknown-part": "This part of the extension is no member of the episode; it was not used.",
}

_OFFSET = re.compile(r"T.*([Zz]|[+-]\d\d:\d\d)$")


class Found:
    """One object that is being read. ``data``: its values by member, as our own JSON has them.

    ``places``: relative path of a member (``takedown/time``) -> its element.
    """

    __slots__ = ("cls", "data", "el", "own", "places")

    def __init__(self, cls: type, el: El) -> None:
        self.cls = cls
        self.el = el
        self.data: dict[str, Any] = {}
        self.places: dict[str, El] = {}
        #: Read from a resource that is written to our profile: then nothing is derived from its other elements.
        self.own = False


@dataclass(slots=True)
class Persons:
    """Everybody who took part: ``people`` fills it.

    ``ids``: id of a person by what refers to them. ``found``: the object of
    each person whom the sender gave no id, by the id given here. ``taken``: every id.
    """

    ids: dict[str, str] = field(default_factory=dict)
    found: dict[str, Found] = field(default_factory=dict)
    taken: set[str] = field(default_factory=set)


class Chart(Collector):
    """What one Bundle has given so far."""

    def __init__(self, index: Index) -> None:
        super().__init__(DETAILS, "Bundle")
        self.index = index
        self.items: dict[str, list[Found]] = {}
        self.sections: dict[str, Found] = {}
        self.root = Found(record.Episode, El(None, "Bundle"))
        self.not_collected: list[str] | None = None
        self.of_resource: dict[str, list[Found]] = {}
        self.first: datetime | None = None
        self.last: datetime | None = None
        #: Whether anything in the document says that the patient was restrained.
        self.restrained = False
        #: Sections that the sender marks as ``none``.
        self.none: dict[str, El] = {}
        #: Element with the reason of a restraint in free text, and with a posture that is not understood.
        self.reason: El | None = None
        self.posture: El | None = None
        #: (subject, Observation) of responses to drugs: they are read once every dose is known.
        self.later: list[tuple[str, El]] = []
        self.persons = Persons()

    # ------------------------------------------------------------ objects

    def item(self, slug: str, el: El) -> Found:
        """A new item of a list. Raises Rejected (422) where the list gets longer than an episode may have it."""
        found = Found(profile.SHAPES[slug].cls, el)
        items = self.items.setdefault(slug, [])
        items.append(found)
        if len(items) > MOST_ITEMS:
            detail = "The Bundle has too many entries of one kind."
            raise Rejected(422, "too-many-items", [ProblemItem("too-many-items", detail, pointer="/entry")])
        self.of_resource.setdefault(el.at, []).append(found)
        return found

    def item_of(self, slug: str, resource: El) -> Found:
        """A new item of a list, with the id of the resource that it is read from."""
        found = self.item(slug, resource)
        self.set_id(found, resource.text_of("id"), resource)
        return found

    def section(self, name: str, el: El) -> Found:
        """The object of a section; made when it is first asked for, with that element as its place."""
        if name not in self.sections:
            self.sections[name] = Found(profile.SECTIONS[name], el)
        return self.sections[name]

    # ------------------------------------------------------------ values

    def set_value(self, found: Found, name: str, value: Any, el: El) -> bool:
        """Set a member, if it can have the value, else add a notice; whether it has the value now.

        The first of two different values stays, with a notice. Times other than
        ``entered`` widen ``first`` and ``last``.
        """
        if name in found.data:
            if found.data[name] != value:
                self.notice("conflict", el.at)
                return False
            return True
        declared = declaration.by_name(found.cls).get(name)
        if declared is None:
            self.notice("unknown-part", el.at)
            return False
        if type(value) is float and isinstance(declared.kind, declaration.Int):
            if not value.is_integer():
                self.notice("rounded", el.at)
            value = int(value + 0.5) if value >= 0 else -int(-value + 0.5)
        fitting = self.fitting(found.cls, declared, value, el)
        if fitting is not value:
            if not declared.required:
                found.data[name], found.places[name] = fitting, el
                self.misread(found, name)
            return False
        if type(value) is str and isinstance(declared.kind, declaration.Time) and name != "entered":
            read = datetime.fromisoformat(value.upper())
            self.first = read if self.first is None or read < self.first else self.first
            self.last = read if self.last is None or read > self.last else self.last
        found.data[name] = value
        found.places[name] = el
        return True

    def set_part(self, section: Found, name: str, part: Found) -> None:
        """Set a nested object with the places of its members."""
        if name not in section.data and self.set_value(section, name, part.data, part.el):
            section.places.update({f"{name}/{member}": el for member, el in part.places.items()})
        elif section.data.get(name) != part.data:
            self.notice("conflict", part.el.at)

    def set_time(self, found: Found, name: str, el: El) -> bool:
        """Set a time, if it has a time of day and an offset; whether it was set."""
        if not el:
            return False
        if not _OFFSET.search(el.text):
            self.notice("unusable-time", el.at)
            if name not in found.data and not declaration.by_name(found.cls)[name].required:
                found.data[name], found.places[name] = CANNOT_TELL, el
            return False
        return self.set_value(found, name, el.text, el)

    def set_span(self, found: Found, resource: El, stem: str, start: str | None, end: str | None) -> None:
        """Set the members ``start`` and ``end`` (None: no such member) from the element ``<stem>[x]`` of a resource."""
        what, when = resource.choice(stem, "DateTime", "Period", "Instant")
        if what == "Period":
            for name, side in ((start, "start"), (end, "end")):
                if name:
                    self.set_time(found, name, when.get(side))
        elif start:
            self.set_time(found, start, when)

    def set_id(self, found: Found, ident: str, el: El) -> None:
        """Set the id of an item, unless it has one or the text cannot be an id of ours."""
        if ident and "id" not in found.data and re.fullmatch(declaration.ID_PATTERN, ident):
            found.data["id"] = ident
            found.places["id"] = el

    # ------------------------------------------------------------ our own extensions

    def merge_parts(self, found: Found, extension: El) -> None:
        """Set members from a complex extension of the profile. Its ``id`` replaces that of the resource."""
        data, places = self._parts(found.cls, extension, "")
        for name, value in data.items():
            if name == "id":
                found.data.pop("id", None)
            if self.set_value(found, name, value, places[name]) and type(value) in (dict, list):
                found.places.update({path: el for path, el in places.items() if path.startswith(f"{name}/")})

    def _parts(self, cls: type, extension: El, under: str) -> tuple[dict[str, Any], dict[str, El]]:
        data: dict[str, Any] = {}
        places: dict[str, El] = {}
        taken: dict[str, set[str]] = {}
        members = declaration.by_name(cls)
        for part in extension.each("extension"):
            name = part.text_of("url")
            declared = members.get(name)
            if declared is None:
                if name not in ("given", "none", "not_collected", "accepted"):
                    self.notice("unknown-part", part.at)
            elif name not in data and "extension" not in part.value and type(declared.kind) in _PLAIN:
                # Most parts by far: one value, and no notice.
                data[name] = part.choice("value", *_TYPES[type(declared.kind)])[1].value
                places[f"{under}{name}"] = part
            else:
                self._part(declared, part, f"{under}{name}", data, taken, places)
        return data, places

    def _part(
        self,
        declared: declaration.Member,
        part: El,
        path: str,
        data: dict[str, Any],
        taken: dict[str, set[str]],
        places: dict[str, El],
    ) -> None:
        name, kind = declared.name, declared.kind
        value = _stated(kind, part) if "extension" in part.value else None
        if value is not None:
            pass
        elif isinstance(kind, declaration.Items):
            if name in data and name not in taken:
                self.notice("conflict", part.at)
                return
            item = self._list_item(kind.of, part, f"{path}/{len(data.get(name, []))}", taken.get(name, set()), places)
            # A list without a readable item is left out: an empty one would say that there was none.
            if item is not None:
                data.setdefault(name, []).append(item)
                places.setdefault(path, part)
                taken.setdefault(name, set()).add(str(item.get("id", "")))
            return
        elif isinstance(kind, declaration.Part):
            value, nested = self._parts(kind.of, part, f"{path}/")
            if lacks(kind.of, value):
                self.notice("item-not-readable", part.at)
                return
            value = self._checked(kind.of, value, nested, f"{path}/")
            places.update(nested)
        else:
            _, el = part.choice("value", *_TYPES[type(kind)])
            value = el.value
            if isinstance(kind, (declaration.Codes, declaration.Idents)):
                repeats = isinstance(kind, declaration.Codes) and kind.repeats
                if name in data and name not in taken:
                    self.notice("conflict", part.at)
                elif not one_of(kind, value) or (value in data.get(name, []) and not repeats):
                    self.notice("out-of-bounds", part.at)
                else:
                    data.setdefault(name, []).append(value)
                    places.setdefault(path, part)
                    taken.setdefault(name, set())
                return
        if name in data:
            self.notice("conflict", part.at)
            return
        data[name] = value
        places[path] = part

    def _list_item(
        self, cls: type, part: El, path: str, taken: set[str], places: dict[str, El]
    ) -> dict[str, Any] | None:
        value, nested = self._parts(cls, part, f"{path}/")
        value = self._checked(cls, value, nested, f"{path}/")
        if lacks(cls, value):
            self.notice("item-not-readable", part.at)
            return None
        if isinstance(value.get("id"), str) and value["id"] in taken:
            self.notice("duplicate-id", part.at)
            del value["id"]
        places[path] = part
        places.update(nested)
        return value

    def _checked(self, cls: type, data: dict[str, Any], places: dict[str, El], under: str) -> dict[str, Any]:
        """A nested object without the members that cannot have their value; a notice for each of those."""
        out = {}
        members = declaration.by_name(cls)
        for name, value in data.items():
            fitting = self.fitting(cls, members[name], value, places[f"{under}{name}"])
            if fitting is not value:
                for path in [p for p in places if p.startswith(f"{under}{name}/")]:
                    del places[path]
                if members[name].required:
                    del places[f"{under}{name}"]
                    continue
            out[name] = fitting
        return out


#: Kind of a member -> the types of ``value[x]`` in which it is taken.
_TYPES: dict[type, tuple[str, ...]] = {
    declaration.Int: ("Integer", "Decimal", "PositiveInt", "UnsignedInt"),
    declaration.Num: ("Decimal", "Integer"),
    declaration.Flag: ("Boolean",),
    declaration.Code: ("Code", "String"),
    declaration.Codes: ("Code", "String"),
    declaration.Idents: ("String", "Id", "Code"),
    declaration.Time: ("DateTime", "Instant"),
    declaration.Ident: ("String", "Id", "Code"),
    declaration.Text: ("String", "Markdown"),
}


#: Kinds that are one value, not a list or an object.
_PLAIN = frozenset(_TYPES) - {declaration.Codes, declaration.Idents}


def _stated(kind: declaration.Kind, part: El) -> Any:
    """What the parts of an extension say in place of a value: an absence, ``none`` or ``empty``; None where they say none of that."""
    inner = {p.text_of("url"): p for p in part.each("extension")}
    if "absent" in inner:
        value = {"absent": inner["absent"].choice("value", "Code")[1].text}
        if "reason" in inner:
            value["reason"] = inner["reason"].choice("value", "Code")[1].text
        return value
    if "none" in inner and isinstance(kind, (declaration.Items, declaration.Codes, declaration.Idents)):
        return []
    if "none" in inner and isinstance(kind, declaration.Part) and kind.may_be_none:
        return {"none": True}
    return "" if "empty" in inner and isinstance(kind, declaration.Text) else None


def own_word(concept: El, slug: str) -> str | None:
    """The word that a concept has in the code system of ``slug``, one of our own, or None."""
    name = profile.system(slug)
    for system, code in codings(concept):
        if system == name:
            return code
    return None
