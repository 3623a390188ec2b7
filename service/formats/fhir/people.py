"""People as opaque ids: names, addresses and numbers of theirs are never looked at.

Ids are p1, p2 ... in the order of the Bundle, unless our extension gives the
sender's own.
"""

from __future__ import annotations

from . import codes, profile
from .chart import Chart, Found
from .tree import El, Resource, look


def read_people(chart: Chart) -> None:
    """Every Practitioner is a person of the team, but the patient's family doctor. Before anything refers to them."""
    resources = chart.index.of_kind("Practitioner")
    family_doctors = {
        chart.index.key(doctor)
        for patient in chart.index.of_kind("Patient")
        for doctor in patient.each("generalPractitioner")
    }
    for el in resources:
        for part in el.each("extension"):
            if part.text_of("url") == profile.url("team.members"):
                _read_own(chart, el, part)
    for el in resources:
        if el.at not in chart.persons.ids and el.at not in family_doctors:
            _add(chart, el.at, el)


def _read_own(chart: Chart, el: El, part: El) -> None:
    """A person whom the sender describes in our extension."""
    found = chart.item("team.members", el)
    found.own = True
    chart.merge_parts(found, part)
    ident = found.data.get("id")
    chart.persons.ids[el.at] = ident if type(ident) is str else ""
    chart.persons.taken.add(chart.persons.ids[el.at])


def _add(chart: Chart, key: str, el: El) -> str:
    """A new person, with the next free id."""
    persons = chart.persons
    number = len(persons.found) + 1
    while f"p{number}" in persons.taken:
        number += 1
    ident = f"p{number}"
    found = chart.item("team.members", el)
    persons.ids[key], persons.found[ident] = ident, found
    persons.taken.add(ident)
    chart.set_value(found, "id", ident, el)
    for qualification in el.each("qualification"):
        level = look(qualification.get("code"), codes.LEVELS)
        if level:
            chart.set_value(found, "level", level, qualification)
    return ident


def id_of(chart: Chart, actor: El) -> str:
    """The id of a referenced person; empty for the patient, a device or an organization."""
    role = chart.index.target(actor)
    if role is None or role.kind != "PractitionerRole" or not role.get("practitioner"):
        return _known(chart, actor, role)
    actor = role.get("practitioner")
    person = _known(chart, actor, chart.index.target(actor))
    for code in role.each("code"):
        set_level(chart, person, look(code, codes.LEVELS), code)
    return person


def _known(chart: Chart, actor: El, target: Resource | None) -> str:
    ids = chart.persons.ids
    if target is not None:
        if target.kind not in ("Practitioner", "PractitionerRole"):
            return ""
        key = target.at
    else:
        # A reference that leads nowhere, or only a number or a name: a key to tell people apart, never handed on.
        key = actor.text_of("reference") or actor.get("identifier").text_of("value") or actor.text_of("display")
        steps = key.split("/")
        if not key or (len(steps) > 1 and actor.get("reference") and not steps[-2].startswith("Practitioner")):
            return ""
        if actor.get("reference") and key not in ids:
            chart.notice("dangling-reference", actor.at)
    return ids[key] if key in ids else _add(chart, key, target or actor)


def set_level(chart: Chart, person: str, level: str | None, el: El) -> None:
    """Set the level of care of a person, if it is known and not yet set."""
    found = chart.persons.found.get(person)
    if level and found is not None and "level" not in found.data:
        chart.set_value(found, "level", level, el)


def level_of(chart: Chart, person: str) -> str:
    """The level of care of a person, or an empty text."""
    found = chart.persons.found.get(person)
    return str(found.data.get("level", "")) if found is not None else ""


def set_performer(chart: Chart, found: Found, member: str, el: El) -> None:
    """Set a member to the id of the first who performed; nothing where nobody is named."""
    for person, place in performers(chart, el)[:1]:
        chart.set_value(found, member, person, place)


def performers(chart: Chart, el: El) -> list[tuple[str, El]]:
    """(id, element that names them) of everyone who performed; functions charted beside them give levels of care."""
    out = []
    for performer in el.each("performer"):
        actor = performer.get("actor") or performer
        person = id_of(chart, actor)
        if person:
            out.append((person, actor))
            set_level(chart, person, look(performer.get("function"), codes.LEVELS), performer.get("function"))
    return out
