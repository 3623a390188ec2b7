"""One fact for each section of the record."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from service.episode import declaration, record
from service.episode.absence import Absent
from service.episode.member_names import MemberName

from .attendance import attendance, front_cab_alone
from .builder import FactBuilder
from .entries import items
from .fact import Evidence, place
from .limbs import looked
from .other_forms import communication_need, officer
from .timeline import Timeline

_OWNERS: dict[type, dict[str, tuple[MemberName, MemberName | None]]] = {}


def _owners(cls: type) -> dict[str, tuple[MemberName, MemberName | None]]:
    """Attribute (without the name of the section) -> the member it comes from, as (member, member of that part or None)."""
    if cls not in _OWNERS:
        out: dict[str, tuple[MemberName, MemberName | None]] = {}
        for member in declaration.members(cls):
            if member.name in declaration.NOT_ASKED:
                continue
            out[member.name] = (member.name, None)
            if isinstance(member.kind, declaration.Codes):
                out |= {
                    f"{member.name}_has_{word.replace('-', '_')}": (member.name, None) for word in member.kind.words
                }
            elif isinstance(member.kind, declaration.Part):
                inner = [m.name for m in declaration.members(member.kind.of) if m.name not in declaration.NOT_ASKED]
                out |= {f"{member.name}_{name}": (member.name, name) for name in inner}
        _OWNERS[cls] = out
    return _OWNERS[cls]


class _MemberPlaces(dict[str, tuple[Evidence, ...]]):
    """The evidence of a section's attributes, made when a finding asks for it."""

    def __init__(self, node: declaration.Node, section: str) -> None:
        super().__init__()
        self._node, self._skip = node, len(section) + 1

    def get(self, attribute: str, default: Any = None) -> Any:
        """The places of an attribute, else ``default``."""
        if attribute in self:
            return self[attribute]
        owner = _owners(type(self._node)).get(attribute[self._skip :])
        if owner is None:
            return default
        inner = getattr(self._node, owner[0])
        if owner[1] is None or type(inner) is Absent:
            return (place(self._node, owner[0]),)
        return (place(inner, owner[1]),)


#: (section, attribute, what it comes to where it is charted in its fuller form).
_OTHER_FORMS = (
    ("patient", "patient_communication_need", communication_need),
    ("custody", "custody_officer", officer),
)


def sections(line: Timeline) -> Iterator[FactBuilder]:
    """One fact a section, absent ones too, with its members as attributes."""
    episode, wanted = line.episode, line.wanted("section")
    for member in declaration.members(record.Episode):
        if member.name == "episode_ref":
            continue
        value = getattr(episode, member.name)
        where = place(episode, member.name)
        fact = FactBuilder("section", member.name, (where,))
        fact.know(section=member.name)
        fact.set("section_present", value if type(value) is Absent else True)
        if isinstance(value, declaration.Node):
            fact.members(value, wanted, f"{member.name}_")
            fact.evidence = _MemberPlaces(value, member.name)
        elif isinstance(value, tuple):
            fact.set(member.name, len(value))
        elif type(value) is Absent:
            inside = _owners(member.kind.of) if isinstance(member.kind, declaration.Part) else {}
            fact.unknown([f"{member.name}_{name}" for name in inside], value.state)
            if isinstance(member.kind, declaration.Items):
                fact.set(member.name, value)
        if member.name == "monitoring":
            _monitoring(fact, line)
        if member.name == "application":
            holds = items(line.episode.application.holds)
            fact.set("hold_time_charted", any(type(hold.start) is not Absent for hold in holds))
            endless = [hold for hold in holds if type(hold.end) is Absent]
            fact.set("hold_without_end", any(hold.end.state == "missing" for hold in endless))  # type: ignore[union-attr]
            fact.evidence["hold_without_end"] = tuple(place(hold, "end") for hold in endless)
        if member.name == "transport":
            attendance(fact, line)
        if member.name == "decision":
            acts = items(episode.decision.behaviours)
            described = any(a.behaviour != "other" or type(a.words) is not Absent for a in acts)
            no_place = any(type(a.words) is Absent and a.words.state == "not_collected" for a in acts)
            fact.set("behavior_described", None if no_place and not described else described, "not_collected")
            fact.evidence["behavior_described"] = tuple(place(a, "words") for a in acts)
        if member.name == "handover":
            off = [item.off for item in items(line.limb_items)]
            fact.set("devices_off_charted", bool(off) and all(type(time) is not Absent for time in off))
        for section, attribute, told in _OTHER_FORMS:
            if section == member.name and isinstance(value, declaration.Node):
                said, places = told(line)
                if type(said) is not Absent:
                    fact.states.pop(attribute, None)
                    fact.set(attribute, said)
                    fact.evidence[attribute] = places
        yield fact


def _monitoring(fact: FactBuilder, line: Timeline) -> None:
    watch = line.episode.monitoring
    vitals, checks = watch.vitals, watch.limb_checks
    if type(vitals) is Absent:
        fact.set("vitals_after_contact", vitals)
    else:
        own = len(line.own_sets) + len(line.own_untimed)
        # Sets well before contact that do not say whose they are: one of the two times is wrong.
        contradicted = not own and any(line.whose(v.before_care, t) is None for t, v in line.sets)
        fact.set("vitals_after_contact", None if contradicted else own)
        fact.evidence["vitals_after_contact"] = fact.evidence.get("monitoring_vitals", ())
    first = line.sedatives[0] if line.sedatives else None
    fact.set(
        "breathing_measured",
        any(
            type(v.rr) is not Absent and (type(v.etco2_mmhg) is not Absent or type(v.etco2_waveform) is not Absent)
            for time, v in line.sets
            if first is not None and time >= first
        ),
    )
    entries: tuple[record.VitalSet | record.LimbCheck | record.BreathingCheck | record.Action | record.Event, ...] = (
        *items(vitals), *items(checks), *items(watch.breathing_checks), *items(watch.actions), *items(watch.events)
    )  # fmt: skip
    untimed = [entry for entry in entries if type(entry.time) is Absent and entry.time.state == "missing"]
    fact.set("untimed_entries", len(untimed))
    fact.evidence["untimed_entries"] = tuple(place(entry) for entry in untimed)
    watched = watch.observation
    alone, stretches = front_cab_alone(line)
    fact.set("front_cab_alone", alone)
    if stretches:
        fact.evidence["front_cab_alone"] = tuple(place(o) for o in items(watched) if o.seat == "front_cab")
        fact.spans["front_cab_alone"] = (stretches[0][0], stretches[-1][1])
    if type(watched) is Absent:
        fact.set("observation_out_of_view", watched)
    else:
        away = [o for o in watched if o.seat in ("behind_out_of_view", "front_cab") or o.limbs_in_view is False]
        fact.set("observation_out_of_view", bool(away))
        fact.evidence["observation_out_of_view"] = tuple(place(o) for o in away)
    if type(checks) is Absent:
        fact.unknown(("limb_checks_on_restrained", "limb_checks_done"), checks.state)
    else:
        there = [c for c in checks if c.at in line.of_restrained or c.at in line.of_unknown]
        # Where all that is charted lies outside care, one of the two times is wrong.
        contradicted = not there and any((t := c.time.epoch) is not None and line.outside_care(t) for c in checks)
        fact.set("limb_checks_on_restrained", None if contradicted else len(there))
        fact.set("limb_checks_done", None if contradicted else sum(map(looked, there)))
        fact.evidence["limb_checks_on_restrained"] = fact.evidence.get("monitoring_limb_checks", ())
        fact.evidence["limb_checks_done"] = tuple([place(c, "not_done") for c in there])
