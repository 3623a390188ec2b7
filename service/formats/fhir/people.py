"""People as opaque ids: names, addresses and numbers of theirs are never looked at."""

from __future__ import annotations

from . import codes, profile
from .chart import Chart, Found
from .tree import El, Resource, look


class People:
    """Who took part. Ids are p1, p2 ... in the order of the Bundle, unless our extension gives the sender's own."""

    def __init__(self, chart: Chart) -> None:
        self._chart = chart
        self._ids: dict[str, str] = {}
        self._found: dict[str, Found] = {}
        self._taken: set[str] = set()
        self._next = 1
        resources = chart.index.of_kind("Practitioner")
        family_doctors = {
            chart.index.key(doctor)
            for patient in chart.index.of_kind("Patient")
            for doctor in patient.each("generalPractitioner")
        }
        for el in resources:
            for part in el.each("extension"):
                if part.text_of("url") == profile.url("team.members"):
                    self._own(el, part)
        for el in resources:
            if el.at not in self._ids and el.at not in family_doctors:
                self._new(el.at, el)

    def _own(self, el: El, part: El) -> None:
        found = self._chart.item("team.members", el)
        found.own = True
        self._chart.merge_parts(found, part)
        ident = found.data.get("id")
        self._ids[el.at] = ident if type(ident) is str else ""
        self._taken.add(self._ids[el.at])

    def _new(self, key: str, el: El) -> str:
        while f"p{self._next}" in self._taken:
            self._next += 1
        ident = f"p{self._next}"
        self._next += 1
        self._ids[key] = ident
        found = self._chart.item("team.members", el)
        self._found[ident] = found
        self._chart.put(found, "id", ident, el)
        for qualification in el.each("qualification"):
            level = look(qualification.get("code"), codes.LEVELS)
            if level:
                self._chart.put(found, "level", level, qualification)
        return ident

    def id_of(self, actor: El) -> str:
        """The id of a referenced person; nothing for the patient, a device or an organization."""
        role = self._chart.index.target(actor)
        if role is None or role.kind != "PractitionerRole" or not role.get("practitioner"):
            return self._known(actor, role)
        actor = role.get("practitioner")
        person = self._known(actor, self._chart.index.target(actor))
        for code in role.each("code"):
            self.level(person, look(code, codes.LEVELS), code)
        return person

    def _known(self, actor: El, target: Resource | None) -> str:
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
            if actor.get("reference") and key not in self._ids:
                self._chart.notice("dangling-reference", actor.at)
        return self._ids[key] if key in self._ids else self._new(key, target or actor)

    def level(self, person: str, level: str | None, el: El) -> None:
        """Set the level of care of a person, if it is known and not yet set."""
        found = self._found.get(person)
        if level and found is not None and "level" not in found.data:
            self._chart.put(found, "level", level, el)

    def level_of(self, person: str) -> str:
        """The level of care of a person, or nothing."""
        found = self._found.get(person)
        return str(found.data.get("level", "")) if found is not None else ""


def performers(chart: Chart, el: El) -> list[tuple[str, El]]:
    """(id, element that names them) of everyone who performed; functions charted beside them give levels of care."""
    out = []
    for performer in el.each("performer"):
        actor = performer.get("actor") if performer.get("actor") else performer
        person = chart.people.id_of(actor)
        if person:
            out.append((person, actor))
            chart.people.level(person, look(performer.get("function"), codes.LEVELS), performer.get("function"))
    return out
