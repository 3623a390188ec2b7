"""Typing errors: a word of the patterns that was meant.

A word is corrected when it is no word of ours and of common English, begins
with the same letter and is one change away (from eight letters on: two). A
change is a letter left out, put in, exchanged, or two swapped (Damerau 1964).
Candidates come from the words that are left when letters are taken out.
"""

from __future__ import annotations

from collections.abc import Collection

SHORTEST, LONGEST, TWO_CHANGES_FROM = 5, 20, 8


def _changes(word: str) -> int:
    return 2 if len(word) >= TWO_CHANGES_FROM else 1


def _shortened(word: str, most: int) -> set[str]:
    """The word, and what is left of it without up to so many letters; the first letter stays."""
    out = last = {word}
    for _ in range(most):
        last = {one[:i] + one[i + 1 :] for one in last for i in range(1, len(one))}
        out = out | last
    return out


def _distance(one: str, other: str) -> int:
    """Number of changes between two words; swapped neighbors are one change."""
    before: list[int] = []
    last = list(range(len(other) + 1))
    for i, a in enumerate(one, 1):
        row = [i]
        for j, b in enumerate(other, 1):
            best = min(last[j] + 1, row[j - 1] + 1, last[j - 1] + (a != b))
            if i > 1 and j > 1 and a == other[j - 2] and one[i - 2] == b:
                best = min(best, before[j - 2] + 1)
            row.append(best)
        before, last = last, row
    return last[-1]


class Speller:
    """``meant``: the words that may have been meant. ``ordinary``: words that are never corrected."""

    def __init__(self, meant: Collection[str], ordinary: Collection[str]) -> None:
        #: Words that stand as they are written.
        self.known = frozenset(meant) | frozenset(ordinary)
        self._by_part: dict[str, list[str]] = {}
        for word in sorted(meant):
            if SHORTEST <= len(word) <= LONGEST and word.isalpha():
                for part in _shortened(word, _changes(word)):
                    self._by_part.setdefault(part, []).append(word)

    def knows(self, word: str) -> bool:
        """Whether a word stands as it is written."""
        return word in self.known

    def correct(self, word: str) -> str:
        """The word that was meant, or the word itself."""
        if not SHORTEST <= len(word) <= LONGEST or word in self.known or not word.isalpha():
            return word
        most = _changes(word)
        tried: dict[str, int] = {}
        for part in _shortened(word, most):
            for candidate in self._by_part.get(part, ()):
                if candidate not in tried:
                    tried[candidate] = _distance(word, candidate)
        near = [(far, candidate) for candidate, far in tried.items() if far <= min(most, _changes(candidate))]
        return min(near)[1] if near else word
