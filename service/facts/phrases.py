"""Declared phrases in the narrative, with negation and attribution.

The method is NegEx (Chapman and others, J Biomed Inform 2001;34:301-310) with
the scope rule of ConText (Harkema and others, J Biomed Inform 2009;42:839-851):
a trigger reaches forward to the end of its sentence or to a terminating word,
a trailing trigger reaches back. The phrases and triggers are data
(``rules/vocabulary.yaml``); the text itself never leaves this module.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from service.episode.kinds import Absent

from .draft import Draft
from .model import Evidence
from .timeline import Timeline

_SENTENCE = re.compile(r"[^.!?;\n]+")
_QUOTED = re.compile(r"[\"“”][^\"“”\n]{1,300}[\"“”]")


@dataclass(frozen=True, slots=True)
class Phrases:
    """Compiled phrase families and triggers."""

    families: Mapping[str, re.Pattern[str]]
    before: re.Pattern[str]
    after: re.Pattern[str]
    stops: re.Pattern[str]
    attributions: re.Pattern[str]


@dataclass(frozen=True, slots=True)
class Hit:
    """One hit: code point range, and whether it is negated or somebody else's words."""

    start: int
    end: int
    negated: bool
    quoted: bool


def _any_of(words: Sequence[str]) -> re.Pattern[str]:
    # Longest first, so that "no evidence of" wins over "no"; a space stands for any white space.
    parts = sorted((r"\s+".join(re.escape(w) for w in text.split()) for text in words), key=len, reverse=True)
    return re.compile(r"(?<![A-Za-z0-9])(?:" + "|".join(parts) + r")(?![A-Za-z0-9])", re.IGNORECASE)


def compile_phrases(data: Mapping[str, object]) -> Phrases:
    """From the ``phrases`` part of the vocabulary."""
    families: Mapping[str, Sequence[str]] = data["families"]  # type: ignore[assignment]
    triggers: Mapping[str, Sequence[str]] = data["triggers"]  # type: ignore[assignment]
    return Phrases(
        {name: _any_of(words) for name, words in families.items()},
        _any_of(triggers["negation_before"]),
        _any_of(triggers["negation_after"]),
        _any_of(triggers["stops"]),
        _any_of(triggers["attribution"]),
    )


def scan(text: str, phrases: Phrases) -> dict[str, list[Hit]]:
    """All hits by family, in order; overlapping hits of one family are one."""
    quotes = [m.span() for m in _QUOTED.finditer(text)]
    out: dict[str, list[Hit]] = {}
    for sentence in _SENTENCE.finditer(text):
        base, body = sentence.start(), sentence.group()
        for family, pattern in phrases.families.items():
            for match in pattern.finditer(body):
                before, after = _scope(body, match.start(), match.end(), phrases.stops)
                negated = bool(phrases.before.search(before) or phrases.after.search(after))
                start, end = base + match.start(), base + match.end()
                quoted = any(a <= start and end <= b for a, b in quotes) or bool(phrases.attributions.search(before))
                out.setdefault(family, []).append(Hit(start, end, negated, quoted))
    return out


def _scope(body: str, start: int, end: int, stops: re.Pattern[str]) -> tuple[str, str]:
    """The words before and after a hit that a trigger may stand in, cut at terminating words."""
    cut = 0
    for stop in stops.finditer(body, 0, start):
        cut = stop.end()
    stop_after = stops.search(body, end)
    return body[cut:start], body[end : stop_after.start() if stop_after else len(body)]


def facts(line: Timeline, phrases: Phrases) -> Iterator[Draft]:
    """One fact a family with hits."""
    text = line.episode.narrative
    if isinstance(text, Absent):
        return
    for family, hits in scan(text, phrases).items():
        draft = Draft(
            "phrase",
            family,
            tuple(Evidence("/narrative", "narrative", "/narrative", chars=(hit.start, hit.end)) for hit in hits),
        )
        draft.put("family", family)
        draft.put("hits", len(hits))
        draft.put("affirmed", sum(not hit.negated for hit in hits))
        draft.put("quoted", sum(hit.quoted for hit in hits))
        affirmed = tuple(e for e, hit in zip(draft.pointers, hits, strict=True) if not hit.negated)
        if affirmed:
            draft.evidence["affirmed"] = affirmed
        yield draft
