"""What a comparison of places of the record gives."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import TypeVar

import msgspec

from service.episode.declaration import Node
from service.episode.member_names import MemberName

#: The arguments of ``place``. Most comparisons do not become facts, so their places are not made.
Spot = tuple[Node] | tuple[Node, MemberName] | tuple[Node, MemberName, None, tuple[int, int]]


class Compared(msgspec.Struct, frozen=True, gc=False):
    """Places that were compared. ``decisive``: of a changed member, whether a finding may rest on it."""

    places: tuple[Spot, ...]
    disagrees: bool
    decisive: bool | None = None


N = TypeVar("N", bound=Node)


def each(
    listed: Iterable[N], alike: Callable[[N], object], compare: Callable[[N], Iterable[Compared]]
) -> Iterator[Compared]:
    """The comparisons of each object; of those that read ``alike`` and agree, one is enough."""
    agree = set()
    for node in listed:
        values = alike(node)
        if values not in agree:
            found = list(compare(node))
            yield from found
            if not any(compared.disagrees for compared in found):
                agree.add(values)
