"""The pattern language, and one pass over a sentence that finds every pattern at once.

A pattern is read word by word: ``word``, ``one|other``, ``(two words|other)``,
``{list}`` (any entry of a list of words), ``[word|other]`` (may be left out),
``...`` (up to three words) and ``{number}``. All patterns together are one
automaton. At each word it holds every state at most once, so the work is the
number of words times the number of states: no text can make it run away.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

#: Words that ``...`` stands for at most.
GAP = 3
#: What ``...`` never stands for: beyond it something else is said.
BARRIERS = frozenset((",", "period", "semicolon", "but", "no", "not", "never", "denies", "denied", "without"))
_ITEM = re.compile(r"\([^()]*\)|\[[^\[\]]*\]|\S+")
#: What stands for any number in the automaton.
NUMBER = "#"
_NONE: Sequence[_State] = ()


class PatternSlip(ValueError):
    """A pattern cannot be read. The text says why."""


class _State:
    __slots__ = ("ends", "next", "skips")

    def __init__(self) -> None:
        self.next: dict[str, list[_State]] = {}
        #: Where any word at all leads.
        self.skips: list[_State] = []
        #: Numbers of the patterns that end here.
        self.ends: list[int] = []


class Automaton:
    """Every pattern of every family and modifier. Built once, never changed while it reads."""

    def __init__(self, lists: Mapping[str, Sequence[str]]) -> None:
        self._lists = lists
        self._root = _State()
        self._made: dict[tuple[tuple[int, ...], str], _State] = {}
        self._skipped: dict[tuple[tuple[int, ...], str], list[_State]] = {}
        #: First word -> (what it leads to as one state, the states that are put together there).
        self._firsts: dict[str, tuple[_State, frozenset[_State]]] = {}
        self.words: set[str] = set()

    def add(self, pattern: str, number: int) -> None:
        """Add a pattern under a number. Raises PatternSlip."""
        frontier = [self._root]
        for item in _ITEM.findall(pattern):
            if item == "...":
                frontier = self._skip(frontier, pattern)
                continue
            optional = item[0] == "["
            reached = self._step(frontier, item[1:-1] if item[0] in "[(" else item, pattern)
            frontier = [*frontier, reached] if optional else [reached]
        if self._root in frontier:
            raise PatternSlip(f"{pattern!r}: nothing in it has to be said")
        for state in frontier:
            state.ends.append(number)

    def _step(self, frontier: list[_State], item: str, pattern: str) -> _State:
        key = (tuple(map(id, frontier)), item)
        if key in self._made:
            return self._made[key]
        entries: list[str] = []
        for one in item.split("|"):
            if one == "{number}":
                entries.append(NUMBER)
            elif not (one.startswith("{") and one.endswith("}")):
                entries.append(one)
            elif one[1:-1] in self._lists:
                entries += self._lists[one[1:-1]]
            else:
                raise PatternSlip(f"{pattern!r}: there is no list of words {one}")
        goal = self._made[key] = _State()
        for entry in entries:
            words = entry.split()
            if not words or not all(word == NUMBER or word.isalnum() for word in words):
                raise PatternSlip(f"{pattern!r}: {entry!r} is not made of words")
            states = frontier
            for number, word in enumerate(words, 1):
                last = number == len(words)
                reached = goal if last else self._way(key, states, " ".join(words[:number]))
                for state in states:
                    targets = state.next.setdefault(word, [])
                    if reached not in targets:
                        targets.append(reached)
                states = [reached]
                if word != NUMBER:
                    self.words.add(word)
        return goal

    def _way(self, key: tuple[tuple[int, ...], str], states: list[_State], so_far: str) -> _State:
        name = (key[0], f"{key[1]} {so_far}")
        if name not in self._made:
            self._made[name] = _State()
        return self._made[name]

    def _skip(self, frontier: list[_State], pattern: str) -> list[_State]:
        if frontier == [self._root]:
            raise PatternSlip(f"{pattern!r}: begins with ...")
        key = (tuple(map(id, frontier)), "...")
        if key not in self._skipped:
            skipped = self._skipped[key] = [_State() for _ in range(GAP)]
            for before, after in zip(skipped, skipped[1:], strict=False):
                before.skips.append(after)
            for state in frontier:
                state.skips.append(skipped[0])
        return [*frontier, *self._skipped[key]]

    def close(self) -> None:
        """Put the states that one first word leads to together, once every pattern is there: most end with it."""
        for word, targets in self._root.next.items():
            first = _State()
            for target in targets:
                first.ends += target.ends
                first.skips += [state for state in target.skips if state not in first.skips]
                for after, reached in target.next.items():
                    known = first.next.setdefault(after, [])
                    known += [state for state in reached if state not in known]
            self._firsts[word] = (first, frozenset(targets))

    def find(self, words: Sequence[str]) -> list[tuple[int, int, int]]:
        """(from, to, number) of every pattern in a sentence, in words; the shortest stretch for each end."""
        found: list[tuple[int, int, int]] = []
        active: dict[_State, int] = {}
        for at, word in enumerate(words):
            reached: dict[_State, int] = {}
            number, skips = word[0].isdigit(), word not in BARRIERS
            for state, start in active.items():
                targets = state.next.get(word, _NONE)
                if number:
                    targets = [*targets, *state.next.get(NUMBER, _NONE)]
                if skips and state.skips:
                    targets = [*targets, *state.skips]
                for target in targets:
                    if reached.get(target, -1) < start:
                        reached[target] = start
            for said in (word, NUMBER) if number else (word,):
                if said in self._firsts:
                    first, states = self._firsts[said]
                    if not states.isdisjoint(reached):
                        reached = {state: start for state, start in reached.items() if state not in states}
                    reached[first] = at
            for state, start in reached.items():
                if state.ends:
                    found += [(start, at + 1, pattern) for pattern in state.ends]
            active = reached
        return found
