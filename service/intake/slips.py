"""What is wrong with a body, as the caller reads it: our own names, words and bounds, never anything that was sent."""

from __future__ import annotations

import difflib
import functools
import heapq
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any

from service.checkpoint import Checkpoint
from service.episode import declaration, record
from service.problems import ProblemItem, Rejected, pointer_order

from . import fields

#: Members of a body that are no part of the record.
ASIDE = ("accepted", "extensions", "not_collected")
#: Names that are compared with ours: of a body with more, the first in order.
_MOST_NAMES = 20
_INDEX = re.compile(r"/\d+")


def item(code: str, pointer: str, detail: str | None = None) -> ProblemItem:
    """One place that is wrong, with the text of its code unless there is a better one."""
    return ProblemItem(code, detail or fields.DETAILS[code], pointer=pointer)


@dataclass(frozen=True, slots=True)
class Slip:
    """One place that is wrong; ``count``: how many members of that object are."""

    pointer: str
    code: str
    detail: str
    count: int = 1


def refuse(found: Iterable[Slip]) -> Rejected:
    """The refusal of an episode (422): slips in the order of their places, those that are alike once with a count."""
    ordered = sorted(found, key=lambda slip: (pointer_order(slip.pointer), slip.code, slip.detail))
    alike: dict[tuple[str, str, str], list[Slip]] = {}
    for slip in ordered:
        alike.setdefault((_INDEX.sub("/*", slip.pointer), slip.code, slip.detail), []).append(slip)
    items = [
        ProblemItem(same[0].code, same[0].detail, pointer=same[0].pointer, count=sum(slip.count for slip in same))
        for same in alike.values()
    ]
    return Rejected(422, "invalid-episode", items)


# ---------------------------------------------------------------- members that are not known


@dataclass(slots=True)
class _Strange:
    """The unknown members of all objects of one place (``*`` for the items of a list)."""

    first: str
    cls: type
    count: int = 0
    names: set[str] = field(default_factory=set)


def unknown_members(body: Any, checkpoint: Checkpoint) -> list[Slip]:
    """A slip for every object of a body that has members which are not known; for the items of one list the first."""
    found: dict[str, _Strange] = {}
    _look(body, record.Episode, "", "", found, checkpoint)
    return [Slip(each.first, "unknown-member", _said_of(each), each.count) for each in found.values()]


def _look(value: Any, cls: type, at: str, pattern: str, found: dict[str, _Strange], checkpoint: Checkpoint) -> None:
    """Add the unknown members of an object, and of those in it."""
    if type(value) is not dict:
        return
    checkpoint()
    known, inner = _shape(cls)
    strange = value.keys() - known
    if strange:
        here = found.setdefault(pattern, _Strange(at, cls))
        here.count += len(strange)
        here.names |= strange
    for name, below, marks in inner:
        there = value.get(name)
        if marks is not None:
            # What says that a section is absent is looked at with it.
            if type(there) is dict and not marks & there.keys():
                _look(there, below, f"{at}/{name}", f"{pattern}/{name}", found, checkpoint)
        elif type(there) is list:
            for index, each in enumerate(there):
                _look(each, below, f"{at}/{name}/{index}", f"{pattern}/{name}/*", found, checkpoint)


@functools.cache
def _shape(cls: type) -> tuple[frozenset[str], tuple[tuple[str, type, frozenset[str] | None], ...]]:
    """(names that an object of a class may have, (name, class, marks) of the objects in it).

    ``marks``: members of which one says that the section is absent, or that there was none of it; None for a list.
    """
    members = declaration.members(cls)
    aside = ASIDE if cls is record.Episode else ("extensions",)
    inner = tuple(
        (m.name, m.kind.of, None if isinstance(m.kind, declaration.Items) else _marks(m))
        for m in members
        if isinstance(m.kind, (declaration.Items, declaration.Part))
    )
    return frozenset((*(m.name for m in members), *aside)), inner


def _marks(member: declaration.Member) -> frozenset[str]:
    assert isinstance(member.kind, declaration.Part)
    marks = [] if member.required else ["absent"]
    return frozenset([*marks, "none"] if member.kind.may_be_none else marks)


@functools.cache
def _homes() -> dict[str, tuple[str, ...]]:
    """Name of a member -> the paths at which members of that name stand."""
    found: dict[str, tuple[str, ...]] = {}

    def walk(cls: type, at: str) -> None:
        for member in declaration.members(cls):
            here = f"{at}/{member.name}"
            found[member.name] = (*found.get(member.name, ()), here)
            if isinstance(member.kind, declaration.Items):
                walk(member.kind.of, f"{here}/*")
            elif isinstance(member.kind, declaration.Part):
                walk(member.kind.of, here)

    walk(record.Episode, "")
    return found


def _said_of(strange: _Strange) -> str:
    """Where unknown members with names of ours belong, what the others are near, and what is known there."""
    said = ["This object has a member that is not known."]
    if strange.cls is record.Episode and "resourceType" in strange.names:
        said.append("This is a FHIR resource: send it with the media type application/fhir+json.")
    known, homes = _shape(strange.cls)[0], _homes()
    elsewhere = sorted(strange.names & homes.keys())
    for name in elsewhere[:_MOST_NAMES]:
        said.append(f"{name} belongs at {' or '.join(homes[name][:3])}.")
    near = {
        close
        for name in heapq.nsmallest(_MOST_NAMES, strange.names - homes.keys())
        for close in difflib.get_close_matches(name[:80].lower(), sorted(known), n=1, cutoff=0.6)
    }
    if near:
        said.append(f"Nearest known: {', '.join(sorted(near))}.")
    said.append(f"Known here: {', '.join(sorted(known))}.")
    return " ".join(said)


# ---------------------------------------------------------------- marshmallow's answer


def of_messages(
    messages: Any, cls: type | None = record.Episode, at: str = "", spec: declaration.Kind | None = None
) -> Iterator[Slip]:
    """One slip for every error that marshmallow tells (``ValidationError.messages``)."""
    if isinstance(messages, dict):
        for key, inner in messages.items():
            if key == "_schema":
                yield from of_messages(inner, cls, at)
            elif isinstance(key, int):
                yield from of_messages(inner, cls, f"{at}/{key}", spec)
            elif inner == ["missing-member"]:
                # A required member that is not there has no place of its own: point at its object.
                yield Slip(at, "missing-member", f"{fields.DETAILS['missing-member']} Name: {key}.")
            else:
                yield from of_messages(inner, _inner_class(cls, key), f"{at}/{key}", _kind(cls, key))
    else:
        for code in messages:
            known = code if code in fields.DETAILS else "not-an-object"
            yield Slip(at, known, _detail(known, spec) or fields.DETAILS[known])


def _kind(cls: type | None, name: str) -> declaration.Kind | None:
    return next((m.kind for m in declaration.members(cls) if m.name == name), None) if cls else None


def _inner_class(cls: type | None, name: str) -> type | None:
    kind = _kind(cls, name)
    return kind.of if isinstance(kind, (declaration.Items, declaration.Part)) else None


def _detail(code: str, spec: declaration.Kind | None) -> str | None:
    """The text of a code with the words or bounds of the member, where it has any."""
    if code == "unknown-word" and isinstance(spec, (declaration.Code, declaration.Codes)):
        return f"{fields.DETAILS[code]} Words: {', '.join(spec.words)}."
    if code == "out-of-range" and isinstance(spec, (declaration.Int, declaration.Num)):
        return f"{fields.DETAILS[code]} From {spec.low:g} to {spec.high:g}{f' {spec.unit}' if spec.unit else ''}."
    return None
