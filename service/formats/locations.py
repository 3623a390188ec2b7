"""Where everything of an episode stands in the document of another format that it was read from.

Readers keep the element of each value. A FHIRPath or XPath is put together only
when it is asked for, as most never are.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Protocol


class Located(Protocol):
    """An element of a document."""

    @property
    def at(self) -> str:
        """Where it stands, as a FHIRPath or XPath that resolves in the document."""


def nearest(places: Mapping[str, Located], pointer: str) -> str:
    """Where a pointer leads to, else the nearest object around that; ``""`` is among the ``places``."""
    while pointer not in places:
        pointer = pointer.rpartition("/")[0]
    return places[pointer].at


class Locations(Mapping[str, str]):
    """JSON Pointer into the episode -> FHIRPath or XPath into the document."""

    def __init__(self, found: Mapping[str, Located]) -> None:
        self._found = found

    def __getitem__(self, pointer: str) -> str:
        return self._found[pointer].at

    def __contains__(self, pointer: object) -> bool:
        return pointer in self._found

    def __iter__(self) -> Iterator[str]:
        return iter(self._found)

    def __len__(self) -> int:
        return len(self._found)
