"""What the words around a hit make of it: negated, history, a condition, somebody else's.

The method is ConText (Harkema and others, J Biomed Inform 2009;42:839-851),
built on NegEx (Chapman and others, J Biomed Inform 2001;34:301-310): a trigger
reaches forward, back or both ways, over so many words and no further than a
word that ends the statement. A comma ends it too, unless the trigger reaches
over a list ("denies A, B or C").
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from operator import attrgetter
from typing import Literal, NamedTuple

BEFORE, AFTER, AROUND = "before", "after", "around"
#: The longest reach with the longest trigger, in words.
FARTHEST = 30
#: What says that it was so before this unit's care, or as it began.
EARLY = frozenset(("before_contact", "found", "at_first", "police_before"))
#: Who is found, after the comma of "On arrival, ...": what is done there begins with a verb.
_FOUND = (["patient"], ["he"], ["she"], ["the"], ["male"], ["female"])


@dataclass(frozen=True, slots=True)
class Modifier:
    """One group of triggers. ``reach`` in words."""

    name: str
    means: str
    stands: Literal["before", "after", "around"]
    reach: int
    over_commas: bool


class Scope(NamedTuple):
    """Where a trigger holds: words ``start`` to ``end``; the trigger itself is words ``said_from`` to ``said_to``."""

    means: str
    start: int
    end: int
    said_from: int
    said_to: int


_SAID_FROM = attrgetter("said_from")


def scopes(
    words: Sequence[str],
    triggers: Iterable[tuple[int, int, Modifier]],
    ends: Iterable[tuple[int, int]],
    new_statement: Collection[str],
) -> list[Scope]:
    """The scopes of all triggers of a sentence. ``ends``: (from, to) of the words that end a statement."""
    stop_starts = sorted(start for start, _ in ends)
    stop_ends = sorted(end for _, end in ends)
    commas = [at for at, word in enumerate(words) if word == ","]
    # Commas after which something new is said: a list that goes on is not ended by one.
    turns = [at for at in commas if at + 1 < len(words) and words[at + 1] in new_statement]
    out = []
    for start, end, modifier in triggers:
        walls = turns if modifier.over_commas else commas
        low = high = -1
        if modifier.stands != AFTER:
            # "claims he was": what follows a trigger at once does not end it, nor does the comma of "On arrival, he ...".
            after = end
            if start == 0 and modifier.means in EARLY and words[end:][:1] == [","] and words[end + 1 :][:1] in _FOUND:
                after = end + 1
            high = min(_next(stop_starts, after + 1, len(words)), _next(walls, after, len(words)), end + modifier.reach)
        if modifier.stands != BEFORE:
            # "..., we declined": a trigger that reaches over commas is not kept back by the one before it.
            wall = _last(walls, start - 2 if modifier.over_commas else start)
            low = max(_last(stop_ends, start), wall, start - modifier.reach)
        out.append(Scope(modifier.means, start if low < 0 else low, end if high < 0 else high, start, end))
    return sorted(out, key=_SAID_FROM)


def _next(places: Sequence[int], at: int, default: int) -> int:
    found = bisect_left(places, at)
    return places[found] if found < len(places) else default


def _last(places: Sequence[int], at: int) -> int:
    found = bisect_right(places, at)
    return places[found - 1] if found else 0


def holding(found: Sequence[Scope], start: int, end: int) -> dict[str, Scope]:
    """Meaning -> the nearest scope that reaches a hit (words ``start`` to ``end``) and does not lie in it.

    ``found``: as ``scopes`` gives them, in order; no trigger reaches over more than ``FARTHEST`` words.
    """
    out: dict[str, Scope] = {}
    first = bisect_left(found, start - FARTHEST, key=_SAID_FROM)
    for scope in found[first : bisect_right(found, end + FARTHEST, key=_SAID_FROM)]:
        if scope.said_to <= start:
            if scope.end <= start:
                continue
            far = start - scope.said_to
        elif scope.said_from >= end:
            if scope.start >= end:
                continue
            far = scope.said_from - end
        else:
            continue
        known = out.get(scope.means)
        if known is None or far < _far(known, start, end):
            out[scope.means] = scope
    return out


def _far(scope: Scope, start: int, end: int) -> int:
    return start - scope.said_to if scope.said_to <= start else scope.said_from - end
