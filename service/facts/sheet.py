"""All facts of an episode. Pure: no clock, no files, no randomness."""

from __future__ import annotations

from itertools import chain

from service.checkpoint import Checkpoint, never
from service.episode import record
from service.episode.absence import Absent
from service.episode.member_names import MemberName
from service.narrative.reader import Reader

from . import (
    contradictions,
    devices,
    doses,
    events,
    gaps,
    limb_checks,
    limbs,
    postures,
    sections,
    shared,
    team,
    told,
    whole_episode,
)
from .builder import Asked, FactBuilder
from .fact import RECORDED, FactSheet
from .timeline import Timeline

#: Kind of fact -> the list its facts come from, as (section, member of it or None); None: from no list.
_LISTS: dict[str, tuple[MemberName, MemberName | None] | None] = {
    "episode": None,
    "section": None,
    "gap": None,
    "pair": None,
    "limb": ("application", "limbs"),
    "device": ("application", "limbs"),
    "check": ("monitoring", "limb_checks"),
    "dose": ("sedation", "doses"),
    "drug": ("sedation", "doses"),
    "posture": ("postures", None),
    "event": ("monitoring", "vitals"),
    "belt": ("stretcher", "belts"),
    "body_weight": ("application", "body_weight"),
    "person": ("team", "members"),
    "phrase": ("narrative", None),
}


def _state(episode: record.Episode, where: tuple[MemberName, MemberName | None] | None) -> str:
    if where is None:
        return RECORDED
    section, member = where
    value: object = getattr(episode, section)
    if member is not None:
        value = getattr(value, member)
    return value.state if type(value) is Absent else RECORDED


def build(
    episode: record.Episode,
    reader: Reader,
    asked: Asked | None = None,
    checkpoint: Checkpoint = never,
    *,
    running: bool = False,
) -> FactSheet:
    """All facts of an episode, in a fixed order, each with the ``ep_`` attributes that its rules ask for.

    ``reader``: what reads the narrative. ``asked``: the attributes to make; without it all are made.
    The fact of the whole episode always gets every ``ep_`` attribute. ``running``: the call is not over, so nothing is
    judged after the last entry.
    """
    line = Timeline(episode, asked, running=running)
    values, states = shared.shared(line)
    narrative = episode.narrative
    hits = [] if type(narrative) is Absent else reader.read(narrative)
    facts: list[FactBuilder] = []
    for kind, made in (
        ("episode", [whole_episode.episode_fact(line, values)]),
        ("section", sections.sections(line)),
        ("limb", limbs.limbs(line)),
        ("device", devices.devices(line)),
        ("belt", devices.belts(line)),
        ("body_weight", postures.body_weights(line)),
        ("person", team.people(line)),
        ("posture", postures.postures(line)),
        ("dose", doses.doses(line)),
        ("drug", doses.drug_totals(line)),
        ("check", limb_checks.checks(line)),
        ("event", events.events(line, values)),
        ("gap", gaps.gaps(line)),
        ("phrase", told.phrases(line, hits)),
        ("pair", chain(contradictions.pairs(line), told.pairs(line, hits))),
    ):
        built = []
        for fact in made:
            checkpoint()
            built.append(fact)
        if not built:
            continue
        names = (*values, *states) if asked is None or kind == "episode" else asked.shared(kind)
        known = {name: values[name] for name in names if name in values}
        unknown = {name: states[name] for name in names if name in states}
        for fact in built:
            fact.values.update(known)
            if unknown:
                fact.states.update(unknown)
        facts += built
    return FactSheet(
        tuple(facts),
        {kind: _state(episode, where) for kind, where in _LISTS.items()},
        line.closed if line.closed is not None else line.last,
        line.first,
    )
