"""The members that a sender's system has no place for: paths of the record, told once for all charts."""

from __future__ import annotations

import difflib
import functools
import re
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
    slips: list[Slip] = []
    for index, path in enumerate(paths):
        if type(path) is not str or path not in PATHS:
            near = _nearest(path) if type(path) is str and len(slips) < _MOST_COMPARED else None
            said = f"{_NOT_ONE} Nearest: {near}." if near else f"{_NOT_ONE} /v1/formats lists them."
            slips.append(Slip(f"/not_collected/{index}", "unknown-path", said))
            continue
        node = out
        for part in path.split("/")[1:]:
            node = node.setdefault(part, {})
        node[""] = True
    if slips:
        raise refuse(slips)
    return out


_NOT_ONE = "This is not the path of a member that can be left out."
#: Unknown paths of a body that are compared with ours: comparing takes milliseconds, and there may be thousands.
_MOST_COMPARED = 10
_NOT_LETTERS = re.compile("[^a-z]")
#: The letters of a path -> the path: as it is written with dots, with indexes or without a star.
_BY_LETTERS = {_NOT_LETTERS.sub("", path): path for path in PATHS}


def _nearest(path: str) -> str | None:
    sent = path[:100].lower()
    if same := _BY_LETTERS.get(_NOT_LETTERS.sub("", sent)):
        return same
    end = f"/{sent.rpartition('/')[2]}"
    of_that_name = [known for known in PATHS if known.endswith(end)]
    close = difflib.get_close_matches(sent, of_that_name or PATHS, n=1, cutoff=0 if of_that_name else 0.6)
    return close[0] if close else None


@functools.lru_cache(maxsize=32)
def table(paths: tuple[str, ...]) -> Trie:
    """``trie_of`` the table of a format: the tables are long, and there are few of them."""
    return trie_of(list(paths))
