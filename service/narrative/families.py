"""Families of wordings as data: what is looked for, and how it is read.

They come from files (``rules/narrative``); who reads those hands the loaded
mappings in. ``Declared`` checks them and says in one line what is wrong.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from .modifiers import Modifier

#: What a hit can be.
ASSERTIONS = ("affirmed", "negated", "historical", "hypothetical", "other_agency", "quoted")
MEANINGS = (
    "negated", "hypothetical", "historical", "before_contact", "found", "at_first", "police_before", "others", "police", "crew",
    "crew_hurt", "handed_over", "put_back", "refused", "quoted",
)  # fmt: skip

_PARTS = ("family", "says", "held_against", "reading", "lists", "patterns", "masks", "denials", "proves", "innocent")
_OPTIONAL = frozenset(("lists", "masks", "denials", "innocent"))
_EXAMPLES = ("masks", "denials", "proves", "innocent")


class FamilySlip(ValueError):
    """A file of the narrative is wrong. The text says which part."""


def _need(ok: object, text: str) -> None:
    if not ok:
        raise FamilySlip(text)


@dataclass(frozen=True, slots=True)
class Family:
    """One family. ``reading``: meaning of a modifier -> what it makes of a hit, in order of weight.

    ``parts``: pattern -> the part of the family it speaks of, where the family has parts. ``proves``: sentences in which
    each pattern is affirmed; ``innocent``: sentences in which the family is not.
    """

    name: str
    says: str
    held_against: tuple[str, ...]
    reading: Mapping[str, str]
    lists: Mapping[str, tuple[str, ...]]
    patterns: tuple[str, ...]
    parts: Mapping[str, str]
    masks: tuple[str, ...]
    denials: tuple[str, ...]
    proves: tuple[str, ...]
    innocent: tuple[str, ...]


def _texts(data: Mapping[str, Any], part: str) -> tuple[str, ...]:
    listed = data.get(part, [])
    _need(
        isinstance(listed, list) and all(isinstance(x, str) and x.strip() for x in listed), f"{part}: a list of texts"
    )
    twice = sorted({text for text in listed if listed.count(text) > 1})
    _need(not twice, f"{part}: {', '.join(twice)}: stands there twice")
    return tuple(listed)


def _lists(data: Mapping[str, Any]) -> dict[str, tuple[str, ...]]:
    named = data.get("lists", {})
    _need(isinstance(named, dict), "lists: a name and its words")
    return {name: _texts(named, name) for name in named}


def read_family(data: Any, readings: Mapping[str, Mapping[str, str]]) -> Family:
    """A family from its loaded file. Raises FamilySlip."""
    _need(isinstance(data, dict), "a family is a mapping")
    missing = [part for part in _PARTS if part not in data and part not in _OPTIONAL]
    _need(not missing, f"missing: {', '.join(missing)}")
    _known_parts(data)
    _need(data["reading"] in readings, f"reading: one of {', '.join(readings)}")
    _need(isinstance(data["says"], str) and data["says"].endswith("."), "says: a sentence")
    patterns, parts = _patterns(data)
    return Family(
        data["family"],
        data["says"],
        _texts(data, "held_against"),
        readings[data["reading"]],
        _lists(data),
        patterns,
        parts,
        *(_texts(data, part) for part in _EXAMPLES),
    )


def _patterns(data: Mapping[str, Any]) -> tuple[tuple[str, ...], dict[str, str]]:
    """The patterns, and which part of the family each speaks of where they stand under names."""
    said = data.get("patterns", [])
    if not isinstance(said, dict):
        return _texts(data, "patterns"), {}
    parts = {pattern: part for part in said for pattern in _texts(said, part)}
    return tuple(parts), parts


def add_to(family: Family, data: Any) -> Family:
    """A family with an agency's wordings beside its own. Raises FamilySlip."""
    _need(isinstance(data, dict), "a family is a mapping")
    _known_parts(data)
    _need(data["family"] == family.name, "file name is <family>.yaml")
    wrong = [part for part in data if part not in ("family", "lists", "patterns", *_EXAMPLES)]
    _need(not wrong, f"{', '.join(wrong)}: stands in the family that is there already")
    more = _lists(data)
    _need(not set(more) & set(family.lists), "lists: a name is taken")
    patterns, parts = _patterns(data)
    known = set(family.parts.values())
    _need(set(parts.values()) <= known, f"patterns: parts are {', '.join(sorted(known)) or 'not there'}")
    _need(bool(parts) == bool(known) or not patterns, f"patterns: under one of {', '.join(sorted(known))}")
    taken = sorted(set(patterns) & set(family.patterns))
    _need(not taken, f"patterns: {', '.join(taken)}: stands there already")
    return Family(
        family.name,
        family.says,
        family.held_against,
        family.reading,
        {**family.lists, **more},
        (*family.patterns, *patterns),
        {**family.parts, **parts},
        *((*getattr(family, part), *_texts(data, part)) for part in _EXAMPLES),
    )


def _known_parts(data: Mapping[str, Any]) -> None:
    unknown = [part for part in data if part not in _PARTS]
    _need(not unknown, f"unknown: {', '.join(unknown)}")
    _need(list(data) == [part for part in _PARTS if part in data], f"parts in the order {', '.join(_PARTS)}")
    name = data["family"]
    _need(isinstance(name, str) and name.replace("_", "").isalpha() and name.islower(), "family: small letters and _")


@dataclass(frozen=True, slots=True)
class Words:
    """What all families share."""

    lists: Mapping[str, tuple[str, ...]]
    abbreviations: Mapping[str, str]
    headings: Mapping[str, str]
    ordinary: frozenset[str]


def read_words(data: Any) -> Words:
    """The shared words from their loaded file. Raises FamilySlip."""
    _need(isinstance(data, dict), "a mapping")
    wanted = ["lists", "abbreviations", "headings", "ordinary"]
    _need(list(data) == wanted, f"parts: {', '.join(wanted)}")
    for part in ("abbreviations", "headings"):
        texts = data[part]
        _need(
            isinstance(texts, dict) and all(isinstance(k, str) and isinstance(v, str) for k, v in texts.items()),
            f"{part}: a text for each text",
        )
        _need(all(key == key.lower() for key in texts), f"{part}: small letters")
    _need(set(data["headings"].values()) <= {"before_contact", "history"}, "headings: before_contact or history")
    return Words(_lists(data), data["abbreviations"], data["headings"], frozenset(_texts(data, "ordinary")))


@dataclass(frozen=True, slots=True)
class Context:
    """The modifiers with their triggers, and what ends a statement."""

    modifiers: tuple[tuple[Modifier, tuple[str, ...]], ...]
    readings: Mapping[str, Mapping[str, str]]
    no_modifier: tuple[str, ...]
    ends: tuple[str, ...]
    new_statement: frozenset[str]


def read_context(data: Any) -> Context:
    """The modifiers from their loaded file. Raises FamilySlip."""
    wanted = ["modifiers", "readings", "no_modifier", "ends", "new_statement"]
    _need(isinstance(data, dict) and list(data) == wanted, f"parts: {', '.join(wanted)}")
    groups = []
    for entry in data["modifiers"]:
        _need(
            isinstance(entry, dict) and list(entry) == ["name", "means", "stands", "reach", "over_commas", "words"],
            "a modifier: name, means, stands, reach, over_commas, words",
        )
        name = entry["name"]
        _need(entry["means"] in MEANINGS, f"{name}: means is one of {', '.join(MEANINGS)}")
        _need(entry["stands"] in ("before", "after", "around"), f"{name}: stands before, after or around")
        _need(
            type(entry["reach"]) is int and 0 < entry["reach"] <= 20 and type(entry["over_commas"]) is bool,
            f"{name}: reach of 1 to 20 words, over_commas true or false",
        )
        modifier = Modifier(name, entry["means"], entry["stands"], entry["reach"], entry["over_commas"])
        groups.append((modifier, _texts(entry, "words")))
    readings = data["readings"]
    for name, reading in readings.items():
        _need(
            isinstance(reading, dict) and set(reading) <= set(MEANINGS) and set(reading.values()) <= set(ASSERTIONS),
            f"reading {name}: a meaning and what it makes of a hit",
        )
    return Context(
        tuple(groups),
        readings,
        _texts(data, "no_modifier"),
        _texts(data, "ends"),
        frozenset(_texts(data, "new_statement")),
    )


@dataclass(frozen=True, slots=True)
class Declared:
    """Everything that is looked for in a narrative. ``families``: in the order of their names."""

    families: Sequence[Family]
    words: Words
    context: Context
