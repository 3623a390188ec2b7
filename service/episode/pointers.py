"""JSON Pointers (RFC 6901) into a record: what one leads to, and one with ids in place of list indexes; and member paths."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from service.episode.absence import Absent

from . import declaration, record
from .moment import Moment


def member_paths(cls: type = record.Episode, around: str = "") -> Iterator[tuple[str, declaration.Member]]:
    """(path, member) of every member of the record, in story order; ``*`` for the items of a list."""
    for member in declaration.members(cls):
        path = f"{around}/{member.name}"
        yield path, member
        if isinstance(member.kind, declaration.Items):
            yield from member_paths(member.kind.of, f"{path}/*")
        elif isinstance(member.kind, declaration.Part):
            yield from member_paths(member.kind.of, path)


def class_paths() -> Iterator[tuple[str, type]]:
    """(path, class) of every object of the record, in story order; ``*`` for the items of a list."""
    yield "", record.Episode
    for path, member in member_paths():
        if isinstance(member.kind, declaration.Items):
            yield f"{path}/*", member.kind.of
        elif isinstance(member.kind, declaration.Part):
            yield path, member.kind.of


def resolve(episode: record.Episode, pointer: str) -> Any:
    """What a pointer leads to; an Absent for a member of an absent section.

    Raises AttributeError, IndexError or ValueError when it leads nowhere.
    """
    here: Any = episode
    for step in pointer.split("/")[1:]:
        here = here[int(step)] if isinstance(here, tuple) else getattr(here, step)
    return here


def by_ids(node: declaration.Node) -> tuple[str, bool]:
    """The pointer of an object with the id of a list item in place of its index, and whether the item has an id.

    No item of a list contains another object, so only the last step can be an index.
    """
    place, _, last = node.at.rpartition("/")
    if not last.isdigit():
        return node.at, True
    ident: Any = node.id  # type: ignore[attr-defined]
    return (node.at, False) if type(ident) is Absent else (f"{place}/{ident}", True)


def first_time(node: Any) -> Moment | None:
    """The first charted time in the order of the members, or None; its offset is the one the record is shown in."""
    for name in declaration.shape(node.__class__).timed:
        value = getattr(node, name)
        if isinstance(value, Moment):
            return value
        inner = value if isinstance(value, tuple) else (value,)
        for item in inner:
            if isinstance(item, declaration.Node):
                found = first_time(item)
                if found is not None:
                    return found
    return None
