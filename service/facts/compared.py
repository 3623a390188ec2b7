"""What a comparison of places of the record gives."""

from __future__ import annotations

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
