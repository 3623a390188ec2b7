"""What is wrong with a body, as the caller reads it: our own names, words and bounds, never anything that was sent."""

from __future__ import annotations

import difflib
import functools
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from itertools import islice
from typing import Any

from service.checkpoint import Checkpoint
from service.episode import declaration, record
from service.problems import ProblemItem, Rejected, pointer_order

from . import fields

#: Members of a body that are no part of the record.
ASIDE = ("accepted", "extensions", "not_collected")
#: Names that are compared with ours: of a place with more, the first that were sent.
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
    """The unknown members of all objects of one place (``*`` for the items of a list).

    ``ours``: those with names of ours; ``others``: the first of the rest. A body has room for many thousand names.
    """

    first: str
    cls: type
    count: int = 0
    ours: set[str] = field(default_factory=set)
    others: list[str] = field(default_factory=list)

    def add(self, sent: dict[str, Any], known: frozenset[str]) -> None:
        """Take in the unknown members of one object."""
        homes = _homes().keys()
        self.count += len(sent) - len(known & sent.keys())
        self.ours |= (homes & sent.keys()) - known
        rest = (name for name in sent if name not in known and name not in homes)
        self.others += islice(rest, _MOST_NAMES - len(self.others))


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
    if not value.keys() <= known:
        found.setdefault(pattern, _Strange(at, cls)).add(value, known)
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
    if strange.cls is record.Episode and "resourceType" in strange.others:
        said.append("This is a FHIR resource: send it with the media type application/fhir+json.")
    known, homes = _shape(strange.cls)[0], _homes()
    for name in sorted(strange.ours)[:_MOST_NAMES]:
        said.append(f"{name} belongs at {' or '.join(homes[name][:3])}.")
    near = {
        close
        for name in strange.others
        for close in difflib.get_close_matches(name[:80].lower(), sorted(known), n=1, cutoff=0.6)
    }
    if near:
        said.append(f"Nearest known: {', '.join(sorted(near))}.")
    said.append(f"Known here: {', '.join(sorted(known))}.")
    return " ".join(said)


# ---------------------------------------------------------------- marshmallow's answer


def of_messages(
    messages: Any, cls: type | None = record.Episode, at: str = "", member: declaration.Member | None = None
) -> Iterator[Slip]:
    """One slip for every error that marshmallow tells (``ValidationError.messages``)."""
    if isinstance(messages, dict):
        for key, inner in messages.items():
            if key == "_schema":
                yield from of_messages(inner, cls, at)
            elif isinstance(key, int):
                yield from of_messages(inner, cls, f"{at}/{key}", member)
            elif inner == ["missing-member"]:
                # A required member that is not there has no place of its own: point at its object.
                yield Slip(at, "missing-member", f"{fields.DETAILS['missing-member']} Name: {key}.")
            else:
                below = _member(cls, key)
                yield from of_messages(inner, _inner_class(below), f"{at}/{key}", below)
    else:
        for code in messages:
            known = code if code in fields.DETAILS else "not-an-object"
            yield Slip(at, known, _detail(known, at, member) or fields.DETAILS[known])


def _member(cls: type | None, name: str) -> declaration.Member | None:
    return next((m for m in declaration.members(cls) if m.name == name), None) if cls else None


def _inner_class(member: declaration.Member | None) -> type | None:
    kind = member and member.kind
    return kind.of if isinstance(kind, (declaration.Items, declaration.Part)) else None


def _detail(code: str, at: str, member: declaration.Member | None) -> str | None:
    """The text of a code with what the member may hold, where that helps. ``at``: the place."""
    if member is None:
        return None
    kind, said = member.kind, fields.DETAILS[code]
    if code == "unknown-word":
        return (
            f"{said} Words: {', '.join(kind.words)}."
            if isinstance(kind, declaration.Code | declaration.Codes)
            else None
        )
    if code == "out-of-range" and member.name == "agitation_score":
        scales = (f"{scale} from {low} to {high}" for scale, (low, high) in fields.SCORES.items())
        return f"{said} Scales: {', '.join(scales)}."
    if code == "out-of-range":
        return f"{said} {_holds(kind)}."
    if code == "null-refused" and at.rpartition("/")[2].isdigit():
        return "null says nothing. Leave the item out of the list."
    if code == "null-refused":
        left = "This member cannot be left out" if member.required else said.rstrip(".")
        return f"{left}. It holds: {_holds(kind)}."
    return None


def _holds(kind: declaration.Kind) -> str:
    """What a member may hold, in a few words."""
    match kind:
        case declaration.Int() | declaration.Num():
            return f"From {kind.low:g} to {kind.high:g} {kind.unit}".rstrip()
        case declaration.Code():
            return f"one of {', '.join(kind.words)}"
        case declaration.Codes():
            return f"a list of {', '.join(kind.words)}"
        case declaration.Flag():
            return "true or false"
        case declaration.Time():
            return "a time with its offset"
        case declaration.Items():
            return "a list of objects"
        case declaration.Part():
            return "an object"
        case declaration.Ident():
            return "an id"
    return "text"
