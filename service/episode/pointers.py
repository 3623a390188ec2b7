"""Ways into a record: what a JSON Pointer leads to, and the same way told by ids."""

from __future__ import annotations

from typing import Any

from . import kinds, model


def resolve(episode: model.Episode, pointer: str) -> Any:
    """What a pointer leads to. Raises AttributeError, IndexError or ValueError when it leads nowhere."""
    here: Any = episode
    for step in pointer.split("/")[1:]:
        here = here[int(step)] if isinstance(here, tuple) else getattr(here, step)
    return here


def by_ids(episode: model.Episode, pointer: str) -> tuple[str, bool]:
    """The pointer of an object with the ids of items in place of their indexes, and whether every item on the way has one."""
    here: Any = episode
    steps = pointer.split("/")
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
