"""A parsed document walked without trust: wrong types read as nothing, and every step knows its FHIRPath."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from .codes import SAME_SYSTEM, Table

_MOST_TEXT = 200


class El:
    """One element: ``value`` as parsed (None where there is none) and ``at``, its FHIRPath from the Bundle."""

    __slots__ = ("at", "value")

    def __init__(self, value: Any, at: str) -> None:
        self.value = value
        self.at = at

    def __bool__(self) -> bool:
        return self.value is not None

    def get(self, name: str, path: str | None = None) -> El:
        """A single member; a list is none. ``path``: its name in FHIRPath, where that differs (``value`` for ``valueQuantity``)."""
        value = self.value.get(name) if type(self.value) is dict else None
        if type(value) is list:
            value = None
        return El(value, f"{self.at}.{path or name}")

    def each(self, name: str) -> Iterator[El]:
        """The items of a member; a single object in place of a list is read as one item."""
        value = self.value.get(name) if type(self.value) is dict else None
        if type(value) is list:
            for index, item in enumerate(value):
                if item is not None and type(item) is not list:
                    yield El(item, f"{self.at}.{name}[{index}]")
        elif value is not None:
            yield El(value, f"{self.at}.{name}")

    def choice(self, stem: str, *types: str) -> tuple[str, El]:
        """The first of the given types of a choice element: (type, element), or ("", nothing)."""
        if type(self.value) is dict:
            for name in types:
                found = self.get(stem + name, stem)
                if found:
                    return name, found
        return "", El(None, f"{self.at}.{stem}")

    @property
    def text(self) -> str:
        """The text, or nothing."""
        return self.value if type(self.value) is str else ""

    @property
    def number(self) -> int | float | None:
        """The number, or None; true and false are none."""
        return self.value if type(self.value) in (int, float) else None


def codings(concept: El) -> Iterator[tuple[str, str]]:
    """(system, code) of every coding of a CodeableConcept; of a Coding too."""
    for coding in [*concept.each("coding"), concept]:
        code, system = coding.get("code").text, coding.get("system").text
        if code and type(coding.value) is dict:
            yield SAME_SYSTEM.get(system, system), code


def words(concept: El) -> Iterator[str]:
    """Display and text of a CodeableConcept, lower case, in plain words."""
    for found in (concept.get("text"), *(coding.get("display") for coding in concept.each("coding"))):
        if found.text:
            yield " ".join(found.text[:_MOST_TEXT].lower().split())


def look(concept: El, table: Table) -> Any:
    """What a concept means in a table: by code first, by its plain words otherwise; None when it is not in there."""
    for key in codings(concept):
        if key in table.by_code:
            return table.by_code[key]
    if table.texts:
        for text in words(concept):
            if text in table.texts:
                return table.texts[text]
    return None


class Index:
    """Every resource of a Bundle, contained ones too, and what references lead to. URLs are never followed."""

    def __init__(self, bundle: dict[str, Any]) -> None:
        self.resources: list[El] = []
        self.unreadable: list[El] = []
        self._by_reference: dict[str, El] = {}
        self._inside: dict[str, dict[str, El]] = {}
        self._holder: dict[str, str] = {}
        for entry in El(bundle, "Bundle").each("entry"):
            resource = entry.get("resource")
            if type(resource.value) is not dict:
                if resource or type(entry.value) is not dict:
                    self.unreadable.append(entry)
                continue
            self._take(resource, entry.get("fullUrl").text)

    def _take(self, resource: El, full_url: str) -> None:
        self.resources.append(resource)
        own = f"{kind(resource)}/{resource.get('id').text}"
        for name in (full_url, own):
            if name and not name.endswith("/"):
                self._by_reference.setdefault(name, resource)
        for inner in resource.each("contained"):
            if type(inner.value) is dict:
                self.resources.append(inner)
                self._holder[inner.at] = resource.at
                if inner.get("id").text:
                    self._inside.setdefault(resource.at, {}).setdefault(inner.get("id").text, inner)

    def target(self, reference: El) -> El | None:
        """The resource a Reference leads to: fullUrl, ``Type/id``, ``urn:uuid:``, ``#contained``; None if it is not here."""
        to = reference.get("reference").text
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
        """What tells two referenced things apart: the place of the resource, else the reference itself."""
        found = self.target(reference)
        return found.at if found is not None else reference.get("reference").text

    def holder(self, resource: El) -> str:
        """Place of the resource that contains this one, or nothing."""
        return self._holder.get(resource.at, "")


def kind(resource: El) -> str:
    """The resource type."""
    return resource.get("resourceType").text
