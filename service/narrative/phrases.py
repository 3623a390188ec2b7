"""Declared phrases in the narrative, with negation and attribution.

The method is NegEx (Chapman and others, J Biomed Inform 2001;34:301-310) with
the scope rule of ConText (Harkema and others, J Biomed Inform 2009;42:839-851):
a trigger such as "no" reaches forward to the end of its sentence or to a
terminating word, a trailing trigger reaches back, a pseudo-trigger such as "no
longer" does not negate, and what is history, plan or rule is not said of this
call. Phrases and triggers are data (``rules/vocabulary.yaml``); the text itself
never leaves this module.
"""

from __future__ import annotations

import re
import string
from bisect import bisect_left, bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

#: A sentence. One that is broken over two lines goes on where the second line begins with a small letter.
_SENTENCE = re.compile(r"(?:[^.!?;\n]|\n(?=[ \t]*[a-z]))+")
_WORD = re.compile(r"[a-z0-9]+")
_QUOTED = re.compile(r"[\"“”][^\"“”\n]{1,300}[\"“”]")
#: Words that a trigger reaches over: NegEx took 5, ConText the whole sentence; this number is our own.
_REACH = 8
#: Code points that are looked at for that many words.
_WINDOW = 160
_GAP = r"(?:[^\s,]+\s+){0,3}?"
#: To small letters and the straight apostrophe (phones and tablets write a curved one); every character keeps its place.
_PLAIN = str.maketrans(string.ascii_uppercase + "’", string.ascii_lowercase + "'")


@dataclass(frozen=True, slots=True)
class Phrases:
    """Compiled families and triggers. ``needed``: family -> words; in a text without any of them it has no hit."""

    families: Mapping[str, re.Pattern[str]]
    needed: Mapping[str, frozenset[str]]
    masks: re.Pattern[str]
    before: re.Pattern[str]
    after: re.Pattern[str]
    pseudo: re.Pattern[str]
    not_now: re.Pattern[str]
    stops: re.Pattern[str]
    attributions: re.Pattern[str]


@dataclass(frozen=True, slots=True)
class Hit:
    """One hit: its range in Unicode code points, whether it is negated (or history, plan, rule), and whether it is quoted."""

    start: int
    end: int
    negated: bool
    quoted: bool


def _literal(text: str) -> str:
    return r"\s+".join(re.escape(word) for word in text.translate(_PLAIN).split())


def _phrase(text: str, slots: Mapping[str, Sequence[str]]) -> str:
    """One phrase as a pattern; a space stands for any white space."""
    tokens = re.findall(r"\{\w+\}\S*|\S+", text)
    out = []
    for number, token in enumerate(tokens):
        gap = r"\s+" if number < len(tokens) - 1 else ""
        if token == "...":
            out.append(_GAP)
        elif token.startswith("{"):
            name, rest = token[1:].split("}")
            words = sorted(slots[name], key=len, reverse=True)
            one = "(?:" + "|".join(_literal(word) for word in words if word) + ")" + _literal(rest) + gap
            out.append(f"(?:{one})?" if "" in words else one)
        else:
            out.append(_literal(token) + gap)
    return "".join(out)


def _any_of(phrases: Sequence[str], slots: Mapping[str, Sequence[str]] | None = None) -> re.Pattern[str]:
    # Longest first, so that "no evidence of" wins over "no".
    parts = [_phrase(text, slots or {}) for text in sorted(phrases, key=len, reverse=True)]
    # The lookahead on first letters makes the search pass over most words of a chart at once.
    first = "".join(sorted({letter for text in phrases for letter in _first(text, slots or {})}))
    return re.compile(rf"(?<![a-z0-9])(?=[{first}])(?:" + "|".join(parts) + r")(?![a-z0-9])")


def _first(text: str, slots: Mapping[str, Sequence[str]]) -> set[str]:
    """The letters that a phrase can begin with."""
    name = re.match(r"\{(\w+)\}", text)
    words = slots[name[1]] if name else (text,)
    return {word.translate(_PLAIN)[0] for word in words}


def _needed(phrases: Sequence[str], slots: Mapping[str, Sequence[str]]) -> frozenset[str]:
    """Words, as ``_WORD`` finds them, of which every text with one of the phrases has at least one."""
    found: set[str] = set()
    for text in phrases:
        choices = []
        for token in text.split():
            slot = re.fullmatch(r"\{(\w+)\}(\S*)", token)
            if slot is None and token != "...":
                choices += [{word} for word in _WORD.findall(token.translate(_PLAIN))]
            elif slot is not None and "" not in slots[slot[1]]:
                choices.append({_WORD.findall((word + slot[2]).translate(_PLAIN))[0] for word in slots[slot[1]]})
        # A text with this phrase has a word of every choice; one choice is enough, and long words are rarer in texts.
        found |= max(choices, key=lambda words: (min(map(len, words)), sorted(words)))
    return frozenset(found)


def compile_phrases(data: Mapping[str, object]) -> Phrases:
    """Compile the ``phrases`` part of ``vocabulary.yaml``. Raises KeyError where a part of it is missing."""
    slots: Mapping[str, Sequence[str]] = data["words"]  # type: ignore[assignment]
    families: Mapping[str, Sequence[str]] = data["families"]  # type: ignore[assignment]
    triggers: Mapping[str, Sequence[str]] = data["triggers"]  # type: ignore[assignment]
    return Phrases(
        {name: _any_of(words, slots) for name, words in families.items()},
        {name: _needed(words, slots) for name, words in families.items()},
        _any_of(data["masks"]),  # type: ignore[arg-type]
        *(
            _any_of(triggers[name])
            for name in ("negation_before", "negation_after", "pseudo_negation", "not_now", "stops", "attribution")
        ),
    )


def scan(text: str, phrases: Phrases) -> dict[str, list[Hit]]:
    """Family -> its hits, in order of the text; overlapping hits of one family are one. Families without hits are left out."""
    plain = text.translate(_PLAIN)
    words = set(_WORD.findall(plain))
    # A narrative has no word of most families: those are not searched for.
    possible = [(name, phrases.families[name]) for name, needed in phrases.needed.items() if needed & words]
    out: dict[str, list[Hit]] = {}
    if not possible:
        return out
    quotes = [m.span() for m in _QUOTED.finditer(text)]
    for match in _SENTENCE.finditer(text):
        base, sentence = match.start(), None
        body = plain[base : match.end()]
        for family, pattern in possible:
            for hit in pattern.finditer(body):
                sentence = sentence or _Sentence(body, phrases)
                if sentence.masked(hit.start(), hit.end()):
                    continue
                negated, attributed = sentence.context(hit.start(), hit.end())
                start, end = base + hit.start(), base + hit.end()
                quoted = attributed or any(a <= start and end <= b for a, b in quotes)
                out.setdefault(family, []).append(Hit(start, end, negated, quoted))
    return out


class _Sentence:
    """One sentence with a hit, and the triggers in it. They are searched for once: a sentence may have a thousand hits."""

    def __init__(self, body: str, phrases: Phrases) -> None:
        self._body = body
        self._phrases = phrases
        self._masks = [m.span() for m in phrases.masks.finditer(body)]
        stops = [m.span() for m in phrases.stops.finditer(body)]
        self._stop_starts = [a for a, _ in stops]
        self._stop_ends = [b for _, b in stops]
        self._attributions = [m.end() for m in phrases.attributions.finditer(body)]

    def masked(self, start: int, end: int) -> bool:
        """Whether a hit lies in a phrase that means something else."""
        return any(a < end and start < b for a, b in self._masks)

    def context(self, start: int, end: int) -> tuple[bool, bool]:
        """(negated, quoted) of a hit, as in ``Hit``, by the triggers between the terminating words around it."""
        stop = bisect_right(self._stop_ends, start)
        cut = self._stop_ends[stop - 1] if stop else 0
        told = bisect_right(self._attributions, start)
        stop = bisect_left(self._stop_starts, end)
        last = self._stop_starts[stop] if stop < len(self._stop_starts) else len(self._body)
        words = self._body[max(cut, start - _WINDOW) : start].split()[-_REACH:]
        before = self._phrases.pseudo.sub(" ", " ".join(words))
        after = self._body[end : min(last, end + _WINDOW)]
        negated = (
            self._phrases.before.search(before)
            or self._phrases.not_now.search(before)
            or self._phrases.after.search(after)
        )
        return bool(negated), bool(told and self._attributions[told - 1] > cut)
