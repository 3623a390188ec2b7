"""Why something cannot be told: the member of the record that is not there, as a path of the contract."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

from service.episode import record
from service.episode.absence import Absent
from service.episode.words import SECTIONS
from service.facts.fact import STATE_ORDER, Fact, FactSheet
from service.rulebook.vocabulary import Vocabulary
from service.wording.labels import member_label

from .ruleset import RuleEntry

#: The entries are there and do not fit together: a time, and whose care it was.
CONTRADICTED = "contradicted"
_ORDER = (*STATE_ORDER, CONTRADICTED)
_STORY = {section: number for number, section in enumerate(SECTIONS)}


class Cause(NamedTuple):
    """``path``: of the contract, ``*`` for indexes. ``state``: missing, not_collected, declined or contradicted."""

    path: str
    state: str

    @property
    def label(self) -> str:
        """``monitoring, actions``."""
        return ", ".join(member_label(step) for step in self.path.split("/")[1:] if step != "*") or "the whole record"

    @property
    def shortest_first(self) -> tuple[Any, ...]:
        """Sort key: few steps, then the order of the story, then the text."""
        steps = self.path.split("/")[1:]
        return len(steps), _STORY.get(steps[0] if steps else "", len(_STORY)), self.path, self.state

    def document(self) -> dict[str, str]:
        """As the contract has it."""
        return {"path": self.path, "label": self.label, "state": self.state}


class Causes:
    """Finds the causes in one record. What a path holds is looked up once."""

    def __init__(self, episode: record.Episode, sheet: FactSheet, vocabulary: Vocabulary) -> None:
        self._episode, self._sheet, self._kinds = episode, sheet, vocabulary.kinds
        self._absences: dict[str, dict[str, str]] = {}
        self._known: dict[tuple[str, str, str], Cause] = {}
        self._of_kinds: dict[str, Cause] = {}

    def of_fact(self, entry: RuleEntry, fact: Fact) -> list[Cause]:
        """Why a rule cannot be assessed for a fact, the shortest path first."""
        found = {self._of(fact.kind, name, state) for name, state in entry.compiled.unknowns(fact)}
        return sorted(found, key=lambda cause: cause.shortest_first)

    def of_kind(self, kind: str) -> Cause:
        """Why there is no fact of a kind: the list that it is drawn from."""
        known = self._of_kinds.get(kind)
        if known is None:
            path = self._kinds[kind].drawn_from
            state = self._sheet.drawn_from.get(kind, "missing")
            known = self._of_kinds[kind] = Cause(self._absent_in(path).get(state, path), state)
        return known

    def _of(self, kind: str, attribute: str, state: str) -> Cause:
        key = (kind, attribute, state)
        known = self._known.get(key)
        if known is None:
            inputs = self._kinds[kind].attributes[attribute].inputs
            absent = [Cause(where, why) for path in inputs for why, where in self._absent_in(path).items()]
            # Not every unknown has an absent member behind it: two times may not fit, an order may not be told.
            why = CONTRADICTED if attribute == "in_care" else state
            guess = [Cause(path, why) for path in inputs] or [Cause(self._kinds[kind].drawn_from, why)]
            known = min(absent or guess, key=lambda cause: (_ORDER.index(cause.state), cause.shortest_first))
            self._known[key] = known
        return known

    def _absent_in(self, path: str) -> Mapping[str, str]:
        """State -> the shortest path along ``path`` at which something is absent with that state."""
        known = self._absences.get(path)
        if known is None:
            known = self._absences[path] = {}
            _walk([self._episode], path.split("/")[1:], "", known)
        return known


def _walk(nodes: list[Any], steps: list[str], path: str, out: dict[str, str]) -> None:
    for place, step in enumerate(steps):
        if step == "*":
            path, nodes = f"{path}/*", [item for node in nodes for item in node]
            continue
        path = f"{path}/{step}"
        values = [getattr(node, step) for node in nodes]
        for value in values:
            if type(value) is Absent:
                out.setdefault(value.state, path)
        nodes = [value for value in values if type(value) is not Absent]
        if place + 1 < len(steps) and not nodes:
            return
