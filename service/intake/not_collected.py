"""The members that a sender's system has no place for: paths of the record, told once for all charts."""

from __future__ import annotations

import difflib
import functools
from collections.abc import Iterator
from typing import Any

from service.episode import declaration, record

from .slips import Slip, refuse

#: Steps of paths as nested objects; ``""`` stands where a path ends.
Trie = dict[str, Any]


def _below(cls: type, path: str) -> Iterator[str]:
    for member in declaration.members(cls):
        here = f"{path}/{member.name}"
        if not member.required:
            yield here
        if isinstance(member.kind, declaration.Items):
            yield from _below(member.kind.of, f"{here}/*")
        elif isinstance(member.kind, declaration.Part):
            yield from _below(member.kind.of, here)


#: Every path that may be told, in story order: members, sections and lists.
PATHS = dict.fromkeys(_below(record.Episode, ""))


def trie_of(paths: Any) -> Trie:
    """The paths as a trie. Raises Rejected (422) where one is none of the record."""
    if type(paths) is not list:
        raise refuse([Slip("/not_collected", "not-a-list", "Give a list.")])
    out: Trie = {}
    slips = []
    for index, path in enumerate(paths):
        if type(path) is not str or path not in PATHS:
            slips.append(Slip(f"/not_collected/{index}", "unknown-path", _nearest(path)))
            continue
        node = out
        for part in path.split("/")[1:]:
            node = node.setdefault(part, {})
        node[""] = True
    if slips:
        raise refuse(slips)
    return out


def _nearest(path: Any) -> str:
    close = difflib.get_close_matches(path[:200], PATHS, n=1, cutoff=0.6) if type(path) is str else []
    said = "This is not the path of a member that can be left out."
    return f"{said} Nearest: {close[0]}." if close else f"{said} /v1/formats lists them."


@functools.lru_cache(maxsize=32)
def table(paths: tuple[str, ...]) -> Trie:
    """``trie_of`` the table of a format: the tables are long, and there are few of them."""
    return trie_of(list(paths))
