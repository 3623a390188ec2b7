"""Text to sentences of words. Every word keeps its place in the text, in Unicode code points.

A word is written small, abbreviations are spelled out, and typing errors are
corrected; a word made of another keeps the other's place.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field

from .spelling import Speller

#: What is written in several ways; one character for one, so that no place moves.
_SAME = str.maketrans("’‘`´“”„«»–—−‑\u00a0", '\'\'\'\'"""""---- ')
#: A line that ends in a word after so many characters was broken by its width, not by its writer.
_WIDE = 60
#: A heading is looked for in so many characters at the beginning of a line.
_HEADING = re.compile(r"[ \t*#-]*([a-z][a-z /.&]{0,28}?)[ \t]*[:=][ \t]*|[ \t]*([a-z])[ \t]+-[ \t]+")
_SPACES = re.compile(r"[ \t]+")
#: Abbreviations that are written with a full stop in the middle of a sentence.
_DOTTED = frozenset(
    ("pt", "pts", "approx", "resp", "temp", "dr", "sgt", "ofc", "dep", "lt", "rt", "ext", "hx", "vs", "exc", "incl", "poss",
     "prob")
)  # fmt: skip
_BREAKS = frozenset(".;?!\n")


@dataclass(slots=True)
class Sentence:
    """Words with their places. ``quoted``: (from, to) in words. ``section``: what its heading makes of it, or empty."""

    section: str = ""
    words: list[str] = field(default_factory=list)
    starts: list[int] = field(default_factory=list)
    ends: list[int] = field(default_factory=list)
    #: Words that were spelled otherwise in the text.
    corrected: set[int] = field(default_factory=set)
    quoted: list[tuple[int, int]] = field(default_factory=list)


def folded(text: str) -> str:
    """The text in small letters, every character in its place: a letter whose small form is longer stays as it is."""
    small = text.lower()
    if len(small) != len(text):
        small = "".join(one if len(one := letter.lower()) == 1 else letter for letter in text)
    return small.translate(_SAME)


def _any_of(abbreviations: Iterable[str]) -> str:
    """Those that are no single word of letters, as a pattern, the longest first; one that matches nothing for none."""
    found = sorted((a for a in abbreviations if not a.isalpha()), key=lambda a: (-len(a), a))
    edged = (re.escape(a).replace(r"\ ", "[ \t]+") + (r"(?![^\W_])" if a[-1].isalnum() else "") for a in found)
    return "|".join(edged) or "(?!)"


class Tokenizer:
    """``abbreviations``: as written -> spelled out. ``headings``: heading -> what it makes of its section (or empty)."""

    def __init__(self, abbreviations: Mapping[str, str], headings: Mapping[str, str], speller: Speller) -> None:
        self._abbreviations = {short: full.split() for short, full in abbreviations.items()}
        self._headings = headings
        self._speller = speller
        #: Words that stand as they are written.
        self._plain = speller.known - self._abbreviations.keys()
        self._token = re.compile(
            # What begins with a letter is looked for at the beginning of a word only: once a word, not once an entry.
            rf"(?<![^\W_])(?P<short>{_any_of(a for a in abbreviations if a[0].isalnum())})"
            rf"|(?<![^\s,;(])(?P<sign>{_any_of(a for a in abbreviations if not a[0].isalnum())})"
            # "A&Ox4", "CAO x 3": alert and oriented to so many of four things.
            r"|(?<![^\W_])(?P<oriented>c?a{1,3}[&/+ ]{0,3}o ?x? ?(?P<things>[0-4]))(?![^\W_])"
            r"|(?P<number>\d+(?:,\d{3})*(?:[.:/]\d+)*)"
            r"|(?P<word>[^\W\d_]+(?:'[^\W\d_]+)*\d*)"
            r"|(?P<mark>[.,;:?!\n\"@&])"
        )

    def sentences(self, text: str) -> Iterator[Sentence]:
        """The sentences of a text in their order; those without words are left out."""
        small = folded(text)
        section, lasting = self._heading(small, 0) or ("", False)
        sentence = Sentence(section)
        line, quote = 0, -1
        for match in self._token.finditer(small):
            kind, (start, end) = match.lastgroup, match.span()
            if kind == "word":
                word = match.group()
                if word in self._plain:
                    self._put(sentence, word, start, end)
                else:
                    self._word(sentence, word, start, end)
            elif kind == "mark":
                mark = match.group()
                if mark == '"':
                    if quote >= 0:
                        sentence.quoted.append((quote, len(sentence.words)))
                    quote = -1 if quote >= 0 else len(sentence.words)
                elif mark in _BREAKS:
                    if mark == "\n":
                        if self._goes_on(text, small, line, start):
                            line = end
                            continue
                        line = end
                        if not lasting or not small[end : end + 40].partition("\n")[0].strip():
                            section = ""
                    elif mark == "." and self._within(text, small, sentence, end):
                        continue
                    yield from self._closed(sentence, quote)
                    here = self._heading(small, end)
                    if here is not None and (mark == "\n" or here[1]):
                        section, lasting = here
                    # "Meds: haldol." within a line is said of its own sentence only.
                    of_own = here[0] if here is not None and here[0] else section
                    sentence, quote = Sentence(of_own), 0 if quote >= 0 and mark != "\n" else -1
                elif mark != ":":
                    self._put(sentence, {"@": "at", "&": "and"}.get(mark, mark), start, end)
            elif kind in ("short", "sign"):
                for word in self._abbreviations[_SPACES.sub(" ", match.group())]:
                    self._put(sentence, word, start, end)
            elif kind == "oriented":
                self._put(sentence, f"aox{match['things']}", start, end)
            else:
                self._put(sentence, match.group().replace(",", ""), start, end)
        yield from self._closed(sentence, quote)

    @staticmethod
    def _closed(sentence: Sentence, quote: int) -> Iterator[Sentence]:
        if quote >= 0:
            sentence.quoted.append((quote, len(sentence.words)))
        if sentence.words:
            yield sentence

    @staticmethod
    def _put(sentence: Sentence, word: str, start: int, end: int) -> None:
        sentence.words.append(word)
        sentence.starts.append(start)
        sentence.ends.append(end)

    def _word(self, sentence: Sentence, written: str, start: int, end: int) -> None:
        plain = written.replace("'", "")
        full = self._abbreviations.get(plain)
        if full is None and not self._speller.knows(plain):
            letters = plain.rstrip("0123456789")
            if len(letters) < len(plain):
                # "HR150": a word and a number without a space.
                middle = end - (len(plain) - len(letters))
                self._word(sentence, letters, start, middle)
                self._put(sentence, plain[len(letters) :], middle, end)
                return
            word = self._speller.correct(plain)
            if word != plain:
                sentence.corrected.add(len(sentence.words))
            full = self._abbreviations.get(word, [word])
        for word in full or [plain]:
            self._put(sentence, word, start, end)

    @staticmethod
    def _goes_on(text: str, small: str, line: int, end: int) -> bool:
        """Whether a sentence goes on over the end of a line: the next begins small, or this one is as wide as a page."""
        after = text[end + 1 : end + 41].lstrip(" \t")
        if not after or not after[0].isalpha() or _HEADING.match(small, end + 1, end + 41):
            return False
        return after[0].islower() or (small[end - 1].isalnum() and end - line >= _WIDE)

    @staticmethod
    def _within(text: str, small: str, sentence: Sentence, end: int) -> bool:
        """Whether a full stop belongs to an abbreviation in the middle of a sentence."""
        if not sentence.words or small[end : end + 1] != " ":
            return False
        written, after = small[sentence.starts[-1] : sentence.ends[-1]], text[end + 1 : end + 2]
        return written in _DOTTED and (after.islower() or after.isdigit())

    def _heading(self, small: str, at: int) -> tuple[str, bool] | None:
        """(what the heading at a place makes of its text, whether it goes on over lines), None where there is none.

        One of a single letter ("H:") goes on until the next; "PMH:" until the end of its line.
        """
        heading = _HEADING.match(small, at, at + 40)
        if heading is None:
            return None
        name = heading[1] or heading[2]
        return self._headings.get(name, ""), len(name) == 1
