"""Facts about the people of the team, and how many there were."""

from __future__ import annotations

from collections.abc import Iterator

from service.episode.absence import Absent
from service.episode.words import LIMBS

from .builder import FactBuilder
from .entries import items
from .fact import place
from .places import where
from .timeline import Timeline


def people(line: Timeline) -> Iterator[FactBuilder]:
    """One fact a person of the team."""
    for person in items(line.episode.team.members):
        fact = FactBuilder("person", "person", (place(person),))
        fact.members(person, line.wanted("person"))
        roles = person.roles
        fact.set("holds_limb", roles if type(roles) is Absent else bool(set(roles) & set(LIMBS)))
        fact.set("roles_charted", roles if type(roles) is Absent else len(roles))
        fact.evidence["roles_charted"] = (place(person, "roles"),)
        yield fact


def team(fact: FactBuilder, line: Timeline) -> None:
    """Set how many trained people there were, and which roles were filled."""
    members = line.episode.team.members
    names = ("people", "head_holder", "limb_roles_filled", "fewer_reason")
    if type(members) is Absent:
        fact.unknown(names, members.state)
        return
    roles = [set(items(p.roles)) for p in members]
    untold = [p.roles for p in members if type(p.roles) is Absent]
    services = [p.service for p in members if type(p.service) is Absent]
    trained = [
        p.service in ("ems", "fire", "hospital") or (p.service == "law_enforcement" and bool(r & {"head", *LIMBS}))
        for p, r in zip(members, roles, strict=True)
    ]
    fact.derive("people", None if services else sum(trained), *services)
    every = set().union(*roles) if roles else set()
    filled = len(every & set(LIMBS))
    fact.derive("head_holder", True if "head" in every else None if untold else False, *untold)
    fact.derive("limb_roles_filled", filled if filled == len(LIMBS) or not untold else None, *untold)
    reason = line.episode.team.fewer_reason
    fact.set(
        "fewer_reason",
        reason
        if type(reason) is Absent and reason.state == "not_collected"
        else type(reason) is not Absent or reason.state == "declined",
    )
    where(fact, names, line.episode, "team", "members")
