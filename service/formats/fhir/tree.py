"""A parsed document that may hold anything: wrong types read as nothing, and every element knows its FHIRPath."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from service.checkpoint import Checkpoint, never

from . import profile
from .codes import SAME_SYSTEM, Table

_MOST_TEXT = 200
_URL = profile.url("")


class El:
    """One element. ``value``: as parsed, None where there is none, and the element is false then.

    A path is put together when it is asked for: few are.
    """

    __slots__ = ("_at", "_index", "_up", "value")

    def __init__(self, value: Any, at: str, up: El | None = None, index: int | None = None) -> None:
        """``at``: the whole path; below ``up`` the name of the step, and ``index`` its place in a list."""
        self.value = value
        self._at = at
        self._up = up
        self._index = index

    def __bool__(self) -> bool:
        return self.value is not None

    @property
    def at(self) -> str:
        """The FHIRPath from the Bundle."""
        if self._up is not None:
            step = self._at if self._index is None else f"{self._at}[{self._index}]"
            self._at, self._up = f"{self._up.at}.{step}", None
        return self._at

    def get(self, name: str) -> El:
        """A member that is one value, not a list."""
        value = self.value.get(name) if type(self.value) is dict else None
        return El(None if type(value) is list else value, name, self)

    def first(self, *names: str) -> El:
        """The first of these members that is there."""
        found = self.get(names[0])
        for name in names[1:]:
            if found.value is not None:
                break
            found = self.get(name)
        return found

    def text_of(self, name: str) -> str:
        """The text of a member, "" where it is none."""
        value = self.value.get(name) if type(self.value) is dict else None
        return value if type(value) is str else ""

    def number_of(self, name: str) -> int | float | None:
        """The number of a member, None where it is none; true and false are none."""
        value = self.value.get(name) if type(self.value) is dict else None
        return value if type(value) in (int, float) else None

    def each(self, name: str) -> Sequence[El]:
        """The items of a member that is a list; anything else in place of a list is read as one item."""
        value = self.value.get(name) if type(self.value) is dict else None
        if value is None:
            return ()
        if type(value) is list:
            return [
                El(item, name, self, index)
                for index, item in enumerate(value)
                if item is not None and type(item) is not list
            ]
        return (El(value, name, self),)

    def choice(self, stem: str, *types: str) -> tuple[str, El]:
        """(type, element) of the first of these types that the element ``<stem>[x]`` has, else ("", nothing)."""
        if type(self.value) is dict:
            for name in types:
                value = self.value.get(stem + name)
                if value is not None and type(value) is not list:
                    return name, El(value, stem, self)
        return "", El(None, stem, self)

    @property
    def text(self) -> str:
        """The text, "" where it is none."""
        return self.value if type(self.value) is str else ""

    @property
    def number(self) -> int | float | None:
        """The number, None where it is none; true and false are none."""
        return self.value if type(self.value) in (int, float) else None


class Resource(El):
    """A resource. ``kind``: its type; ``own``: (slug, element) of the extensions of the profile on it."""

    __slots__ = ("kind", "own")

    def __init__(self, value: Any, at: str, up: El | None = None, index: int | None = None) -> None:
        super().__init__(value, at, up, index)
        self.kind = self.text_of("resourceType")
        self.own: list[tuple[str, El]] = []
        for part in self.each("extension"):
            name = part.text_of("url")
            if name.startswith(_URL) and name != _URL:
                self.own.append((name.removeprefix(_URL), part))

    def is_own(self, slug: str) -> bool:
        """Whether it carries the extension of this slug."""
        return any(known == slug for known, _ in self.own)


def codings(concept: El) -> list[tuple[str, str]]:
    """(system, code) of every coding of a CodeableConcept; of a Coding too."""
    value = concept.value
    if type(value) is not dict:
        return []
    listed = value.get("coding")
    found = []
    for coding in (*listed, value) if type(listed) is list else (listed, value):
        if type(coding) is dict:
            code = coding.get("code")
            if type(code) is str and code:
                system = coding.get("system")
                found.append((SAME_SYSTEM.get(system, system) if type(system) is str else "", code))
    return found


def words(concept: El) -> Iterator[str]:
    """Text and displays of a CodeableConcept, in lower case with single spaces."""
    for text in (concept.text_of("text"), *(coding.text_of("display") for coding in concept.each("coding"))):
        if text:
            yield " ".join(text[:_MOST_TEXT].lower().split())


def look(concept: El, table: Table) -> Any:
    """What a concept means by a table: by its codes, else by its words; None where neither is in the table."""
    by_code = table.by_code
    for key in codings(concept):
        if key in by_code:
            return by_code[key]
    if table.texts:
        for text in words(concept):
            if text in table.texts:
                return table.texts[text]
    return None


class Index:
    """Every resource of a Bundle, contained ones too, and what references lead to. Nothing is ever fetched."""

    def __init__(self, bundle: dict[str, Any], checkpoint: Checkpoint = never) -> None:
        self.resources: list[Resource] = []
        self._of_kind: dict[str, list[Resource]] = {}
        self.unreadable: list[El] = []
        self._by_reference: dict[str, Resource] = {}
        self._inside: dict[str, dict[str, Resource]] = {}
        for entry in El(bundle, "Bundle").each("entry"):
            checkpoint()
            found = entry.get("resource").value
            if type(found) is not dict:
                if found is not None or type(entry.value) is not dict:
                    self.unreadable.append(entry)
                continue
            self._take(Resource(found, "resource", entry), entry.text_of("fullUrl"))
        for resource in self.resources:
            self._of_kind.setdefault(resource.kind, []).append(resource)

    def of_kind(self, name: str) -> Sequence[Resource]:
        """The resources of one type, in the order of the Bundle."""
        return self._of_kind.get(name, ())

    def _take(self, resource: Resource, full_url: str) -> None:
        self.resources.append(resource)
        own = f"{resource.kind}/{resource.text_of('id')}"
        for name in (full_url, own):
            if name and not name.endswith("/"):
                self._by_reference.setdefault(name, resource)
        for part in resource.each("contained"):
            if type(part.value) is dict:
                inner = Resource(part.value, part.at)
                self.resources.append(inner)
                if inner.text_of("id"):
                    self._inside.setdefault(resource.at, {}).setdefault(inner.text_of("id"), inner)

    def target(self, reference: El) -> Resource | None:
        """The resource a Reference leads to: fullUrl, ``Type/id``, ``urn:uuid:``, ``#contained``; None if it is not here."""
        to = reference.text_of("reference")
        if not to:
            return None
        if to.startswith("#"):
            holder = reference.at.split(".resource", 1)[0] + ".resource"
            return self._inside.get(holder, {}).get(to[1:])
        to = to.split("/_history/", 1)[0]
        found = self._by_reference.get(to)
        if found is None and "://" in to:
            found = self._by_reference.get("/".join(to.rsplit("/", 2)[-2:]))
        return found

    def key(self, reference: El) -> str:
        """A key for what a Reference leads to: the place of the resource, else the text of the reference."""
        found = self.target(reference)
        return found.at if found is not None else reference.text_of("reference")
