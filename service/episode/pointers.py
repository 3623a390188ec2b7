"""Ways into a record: what a JSON Pointer leads to, and the same way told by ids."""

from __future__ import annotations

from typing import Any

from service.episode.absence import Absent

from . import declaration, record


def resolve(episode: record.Episode, pointer: str) -> Any:
    """What a pointer leads to. Raises AttributeError, IndexError or ValueError when it leads nowhere."""
    here: Any = episode
    for step in pointer.split("/")[1:]:
        here = here[int(step)] if isinstance(here, tuple) else getattr(here, step)
    return here


def by_ids(node: declaration.Node) -> tuple[str, bool]:
    """The pointer of an object with the id of its item in place of the index, and False where that has none.

    Items hold no objects of their own, so that the last step alone can be an index.
    """
    place, _, last = node.at.rpartition("/")
    if not last.isdigit():
        return node.at, True
    ident: Any = node.id  # type: ignore[attr-defined]
    return (node.at, False) if type(ident) is Absent else (f"{place}/{ident}", True)
