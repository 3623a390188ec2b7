"""How long the lists of a body are, before anything else of it is looked at."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from service.checkpoint import Checkpoint
from service.episode import declaration, record
from service.episode.declaration import MOST_ITEMS, MOST_ITEMS_IN_ALL
from service.problems import Rejected

from .slips import item


def check_sizes(body: dict[str, Any], checkpoint: Checkpoint) -> None:
    """Raises Rejected (422) where a list is too long, or all of them are together."""
    total, slips = 0, []
    for pointer, length in _lists(body, record.Episode, ""):
        checkpoint()
        total += length
        if length > MOST_ITEMS:
            slips.append(item("too-many-items", pointer))
    for name in ("not_collected", "accepted"):
        if type(body.get(name)) is list and len(body[name]) > MOST_ITEMS:
            slips.append(item("too-many-items", f"/{name}"))
    if total > MOST_ITEMS_IN_ALL and not slips:
        slips.append(item("too-many-items-in-all", ""))
    if slips:
        raise Rejected(422, "too-many-items", slips)


def _lists(value: Any, cls: type, at: str) -> Iterator[tuple[str, int]]:
    """(pointer, length) of every declared list of the body, whatever else is wrong with the body."""
    if type(value) is not dict:
        return
    for member in declaration.members(cls):
        inner = value.get(member.name)
        if isinstance(member.kind, declaration.Items) and type(inner) is list:
            yield f"{at}/{member.name}", len(inner)
            if len(inner) <= MOST_ITEMS:
                for index, each in enumerate(inner):
                    yield from _lists(each, member.kind.of, f"{at}/{member.name}/{index}")
        elif isinstance(member.kind, declaration.Part):
            yield from _lists(inner, member.kind.of, f"{at}/{member.name}")
