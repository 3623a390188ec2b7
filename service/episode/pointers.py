"""Ways into a record: what a JSON Pointer leads to, and the same way told by ids."""

from __future__ import annotations

import functools
from typing import Any

from . import kinds, model


def resolve(episode: model.Episode, pointer: str) -> Any:
    """What a pointer leads to. Raises AttributeError, IndexError or ValueError when it leads nowhere."""
    here: Any = episode
    for step in pointer.split("/")[1:]:
        here = here[int(step)] if isinstance(here, tuple) else getattr(here, step)
    return here


@functools.lru_cache(maxsize=1024)
def _in_an_item(pointer: str) -> bool:
    return any(step.isdigit() for step in pointer.split("/"))


def by_ids(episode: model.Episode, node: kinds.Node) -> tuple[str, bool]:
    """The pointer of an object with the ids of items in place of their indexes, and whether every item on the way has one."""
    place, _, last = node.at.rpartition("/")
    if not _in_an_item(place):
        # As for most: the list is found by its pointer, and the item is the object itself.
        if not last.isdigit():
            return node.at, True
        ident: Any = node.id  # type: ignore[attr-defined]
        return (node.at, False) if type(ident) is kinds.Absent else (f"{place}/{ident}", True)
    here: Any = episode
    steps = node.at.split("/")
    all_have = True
    for number, step in enumerate(steps[1:], 1):
        if type(here) is not tuple:
            here = getattr(here, step)
            continue
        here = here[int(step)]
        if type(here.id) is kinds.Absent:
            all_have = False
        else:
            steps[number] = here.id
    return "/".join(steps), all_have
