"""The narrative read: text in, hits of the declared families out. No text leaves.

A hit says which family, where (Unicode code points), what the words around it
make of it, and by which pattern and modifier that was seen.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import NamedTuple

from . import numbers
from .families import Declared, Family, FamilySlip
from .grammar import Automaton, PatternSlip
from .modifiers import EARLY, Modifier, Scope, holding, scopes
from .spelling import Speller
from .tokens import Sentence, Tokenizer

AFFIRMED, NEGATED = "affirmed", "negated"
Chars = tuple[int, int]


@dataclass(frozen=True, slots=True)
class Seen:
    """The modifier that decided. ``chars``: where its words stand; None for a heading or quotation marks."""

    means: str
    chars: Chars | None


@dataclass(frozen=True, slots=True)
class Hit:
    """One place where a family is told.

    ``assertion``: affirmed, negated, historical, hypothetical, other_agency or quoted. ``when``: before_contact or
    not_told. ``whose``: crew, police, other or not_told. ``pattern``: as its file has it. ``part``: the part of the
    family that the pattern speaks of, empty where it has none. ``corrected``: places of words
    that were read as another spelling. ``reading``: the drug or vital sign with its numbers, where one is told.
    """

    family: str
    assertion: str
    when: str
    whose: str
    chars: Chars
    pattern: str
    modifier: Seen | None
    part: str = ""
    corrected: tuple[Chars, ...] = ()
    reading: numbers.Dose | numbers.Vital | None = None


class _Told(NamedTuple):
    """A stretch of words that patterns of one family cover."""

    start: int
    end: int
    number: int


_PATTERN, _MASK, _DENIAL, _TRIGGER, _NO_TRIGGER, _END = range(6)


class Reader:
    """Reads texts by declared families. Safe to share: reading changes nothing."""

    def __init__(self, declared: Declared) -> None:
        """Raises FamilySlip where a pattern cannot be read."""
        self.families: Mapping[str, Family] = {family.name: family for family in declared.families}
        lists = dict(declared.words.lists)
        for family in declared.families:
            for name, entries in family.lists.items():
                if name in lists:
                    raise FamilySlip(f"{family.name}: list {name} is taken")
                lists[name] = entries
        self._automaton = Automaton(lists)
        #: What each number of the automaton stands for: (kind, family or modifier, text).
        self._known: list[tuple[int, str, str, Modifier | None]] = []
        for family in declared.families:
            for kind, texts in ((_PATTERN, family.patterns), (_MASK, family.masks), (_DENIAL, family.denials)):
                for text in texts:
                    self._add(family.name, kind, family.name, text)
        for modifier, texts in declared.context.modifiers:
            for text in texts:
                self._add(f"modifier {modifier.name}", _TRIGGER, modifier.means, text, modifier)
        for text in declared.context.no_modifier:
            self._add("no_modifier", _NO_TRIGGER, "", text)
        for text in declared.context.ends:
            self._add("ends", _END, "", text)
        self._automaton.close()
        self._new_statement = declared.context.new_statement
        words = declared.words
        spelled_out = {word for full in words.abbreviations.values() for word in full.split()}
        known = words.ordinary | set(words.abbreviations) | spelled_out | self._new_statement
        self._tokens = Tokenizer(words.abbreviations, words.headings, Speller(self._automaton.words, known))

    def _add(self, where: str, kind: int, name: str, text: str, modifier: Modifier | None = None) -> None:
        try:
            self._automaton.add(text, len(self._known))
        except PatternSlip as slip:
            raise FamilySlip(f"{where}: {slip}") from None
        self._known.append((kind, name, text, modifier))

    def read(self, text: str) -> list[Hit]:
        """The hits in a text, in its order."""
        return [hit for sentence in self._tokens.sentences(text) for hit in self._sentence(sentence)]

    def patterns_in(self, text: str) -> set[tuple[str, str]]:
        """(family, pattern) of every pattern in a text that is affirmed there: what an example proves."""
        out = set()
        for sentence in self._tokens.sentences(text):
            affirmed = [hit for hit in self._sentence(sentence) if hit.assertion == AFFIRMED]
            for start, end, number in self._automaton.find(sentence.words):
                kind, family, pattern, _ = self._known[number]
                chars = self._chars(sentence, start, end)
                if kind == _PATTERN and any(
                    hit.family == family and hit.chars[0] <= chars[0] and chars[1] <= hit.chars[1] for hit in affirmed
                ):
                    out.add((family, pattern))
        return out

    # ------------------------------------------------------------ one sentence

    def _sentence(self, sentence: Sentence) -> Iterator[Hit]:
        told: dict[str, dict[int, list[_Told]]] = {}
        context: list[tuple[int, int, int]] = []
        for start, end, number in self._automaton.find(sentence.words):
            kind, name, _, _ = self._known[number]
            if kind <= _DENIAL:
                told.setdefault(name, {}).setdefault(kind, []).append(_Told(start, end, number))
            else:
                context.append((start, end, number))
        if not any(_PATTERN in kinds or _DENIAL in kinds for kinds in told.values()):
            return
        found: list[tuple[str, list[_Told], list[_Told]]] = []
        nots = {end for _, end, number in context if self._known[number][1] == NEGATED}
        for name, kinds in told.items():
            # "Never took the hobble off": a denial that is itself denied is none.
            denials = _merged(one for one in kinds.get(_DENIAL, ()) if nots.isdisjoint((one.start, one.start - 1)))
            off = _covered((told.start, told.end) for told in (*kinds.get(_MASK, ()), *denials))
            kept = _merged(t for t in kinds.get(_PATTERN, ()) if off.isdisjoint(range(t.start, t.end)))
            found.append((name, kept, denials))
        # The "no" of "no pulse" tells a thing of its own and denies nothing that follows.
        spoken = _covered((one.start, one.end) for _, kept, _ in found for one in kept)
        around = self._scopes(sentence, context, spoken)
        hits = []
        for name, kept, denials in found:
            hits += [self._hit(self.families[name], one, sentence, around) for one in kept]
            hits += [self._denied(name, one, sentence, around) for one in denials]
        yield from sorted(hits, key=lambda hit: (hit.chars, hit.family))

    def _scopes(self, sentence: Sentence, context: Iterable[tuple[int, int, int]], spoken: set[int]) -> list[Scope]:
        triggers, ends, none = [], [], []
        for start, end, number in context:
            kind, _, _, modifier = self._known[number]
            if modifier is not None:
                triggers.append((start, end, modifier))
            elif kind == _END:
                ends.append((start, end))
            else:
                none.append((start, end))
        off = _covered(none)
        real = [
            (start, end, modifier)
            for start, end, modifier in triggers
            if off.isdisjoint(range(start, end)) and not (modifier.means == NEGATED and start in spoken)
        ]
        return scopes(sentence.words, real, ends, self._new_statement)

    def _hit(self, family: Family, told: _Told, sentence: Sentence, around: list[Scope]) -> Hit:
        near = holding(around, told.start, told.end)
        assertion, modifier = AFFIRMED, None
        for means, becomes in family.reading.items():
            if means in near:
                scope = near[means]
                assertion, modifier = becomes, Seen(means, self._chars(sentence, scope.said_from, scope.said_to))
                break
            if means == "quoted" and any(a <= told.start and told.end <= b for a, b in sentence.quoted):
                assertion, modifier = becomes, Seen(means, None)
                break
            if (means == "historical" and sentence.section) or (
                means == "before_contact" and sentence.section == means
            ):
                assertion, modifier = becomes, Seen(means, None)
                break
        return self._made(family.name, assertion, told, sentence, near, modifier)

    def _denied(self, name: str, told: _Told, sentence: Sentence, around: list[Scope]) -> Hit:
        return self._made(name, NEGATED, told, sentence, holding(around, told.start, told.end), None)

    def _made(
        self, name: str, assertion: str, told: _Told, sentence: Sentence, near: Mapping[str, Scope], seen: Seen | None
    ) -> Hit:
        before = EARLY & set(near) or sentence.section == "before_contact"
        whose = "not_told"
        if "police_before" in near or ("police" in near and not _nearer(near, "crew", "police", told)):
            whose = "police"
        elif "others" in near:
            whose = "other"
        elif "crew" in near:
            whose = "crew"
        corrected = tuple(
            self._chars(sentence, at, at + 1) for at in range(told.start, told.end) if at in sentence.corrected
        )
        chars = self._chars(sentence, told.start, told.end)
        reading = numbers.reading(name, sentence, told.start, told.end)
        when = "before_contact" if before else "not_told"
        pattern = self._known[told.number][2]
        part = self.families[name].parts.get(pattern, "")
        return Hit(name, assertion, when, whose, chars, pattern, seen, part, corrected, reading)

    @staticmethod
    def _chars(sentence: Sentence, start: int, end: int) -> Chars:
        return sentence.starts[start], sentence.ends[end - 1]


def _nearer(near: Mapping[str, Scope], one: str, other: str, told: _Told) -> bool:
    """Whether one of two modifiers stands nearer to a hit than the other."""

    def far(means: str) -> int:
        scope = near[means]
        return told.start - scope.said_to if scope.said_to <= told.start else scope.said_from - told.end

    return one in near and far(one) < far(other)


def _covered(stretches: Iterable[tuple[int, int]]) -> set[int]:
    """The words in any of the stretches."""
    return {at for start, end in stretches for at in range(start, end)}


def _merged(listed: Iterable[_Told]) -> list[_Told]:
    """Overlapping stretches as one, named by the longest of them."""
    out: list[_Told] = []
    longest = 0
    for one in sorted(listed):
        if out and one.start < out[-1].end:
            last = out[-1]
            number = one.number if one.end - one.start > longest else last.number
            longest = max(longest, one.end - one.start)
            out[-1] = _Told(last.start, max(last.end, one.end), number)
        else:
            longest = one.end - one.start
            out.append(one)
    return out
