"""The place that an attribute of the whole episode stands at."""

from __future__ import annotations

from service.episode import record
from service.episode.absence import Absent
from service.episode.member_names import MemberName

from .builder import FactBuilder
from .fact import Evidence, place


def at_member(
    episode: record.Episode, section: MemberName, member: MemberName | None, entry: MemberName | None = None
) -> Evidence:
    """A member of a section, else the section. ``entry``: of a list, the member of an entry that is looked for."""
    node = getattr(episode, section)
    return place(episode, section) if type(node) is Absent or member is None else place(node, member, entry=entry)


def where(
    fact: FactBuilder,
    names: tuple[str, ...],
    episode: record.Episode,
    section: MemberName,
    member: MemberName | None = None,
) -> None:
    """Say where several attributes stand."""
    found = (at_member(episode, section, member),)
    for name in names:
        fact.evidence[name] = found
