"""Where everything of an episode stands in the document it was read from."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Protocol


class Placed(Protocol):
    """Something in a document that can say where it stands."""

    @property
    def at(self) -> str:
        """The place, as an expression that resolves in the document."""


class Places(Mapping[str, str]):
    """Pointer of our episode -> place in the document. Most are never shown: each is put together when it is asked for."""

    def __init__(self, found: Mapping[str, Placed]) -> None:
        self._found = found

    def __getitem__(self, pointer: str) -> str:
        return self._found[pointer].at

    def __contains__(self, pointer: object) -> bool:
        return pointer in self._found

    def __iter__(self) -> Iterator[str]:
        return iter(self._found)

    def __len__(self) -> int:
        return len(self._found)
