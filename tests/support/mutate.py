"""Seeded changes to a record that leave it readable: members dropped, times shifted, items doubled, words changed."""

from __future__ import annotations

import copy
import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from service.episode import declaration, record
from service.episode.absence import DECLINED_REASONS
from tests.support.episodes import Document

Holder = dict[str, Any]


@dataclass
class Place:
    """One member that is there: the object that holds it, its declaration, and its value."""

    holder: Holder
    member: declaration.Member

    @property
    def value(self) -> Any:
        return self.holder[self.member.name]

    @value.setter
    def value(self, new: Any) -> None:
        self.holder[self.member.name] = new


def places(holder: Holder, cls: type = record.Episode) -> Iterator[Place]:
    """Every declared member that is there, in the order of the model."""
    for member in declaration.members(cls):
        if member.name not in holder:
            continue
        yield Place(holder, member)
        value = holder[member.name]
        if isinstance(member.kind, declaration.Part) and isinstance(value, dict) and "absent" not in value:
            yield from places(value, member.kind.of)
        elif isinstance(member.kind, declaration.Items) and isinstance(value, list):
            for item in value:
                yield from places(item, member.kind.of)


def lists(document: Document) -> list[list[Holder]]:
    """Every list of items that has one."""
    found = (p.value for p in places(document) if isinstance(p.member.kind, declaration.Items))
    return [value for value in found if isinstance(value, list) and value]


def _shift(text: str, minutes: int) -> str:
    return (datetime.fromisoformat(text) + timedelta(minutes=minutes)).isoformat()


def _drop(rng: random.Random, document: Document) -> None:
    place = rng.choice([p for p in places(document) if not p.member.required])
    del place.holder[place.member.name]


def _absent(rng: random.Random, document: Document) -> None:
    place = rng.choice([p for p in places(document) if not p.member.required and p.member.name != "id"])
    place.value = rng.choice(
        ({"absent": "not_collected"}, {"absent": "declined", "reason": rng.choice(DECLINED_REASONS)})
    )


def _time(rng: random.Random, document: Document) -> None:
    found = [p for p in places(document) if isinstance(p.member.kind, declaration.Time) and isinstance(p.value, str)]
    if found:
        place = rng.choice(found)
        place.value = _shift(place.value, rng.randint(-40, 40))


def _double(rng: random.Random, document: Document) -> None:
    items = rng.choice(lists(document))
    twin = copy.deepcopy(rng.choice(items))
    if rng.random() < 0.5:
        twin["id"] = f"twin-{rng.randint(0, 10**9)}"
    else:
        twin.pop("id", None)
    items.insert(rng.randint(0, len(items)), twin)


def _word(rng: random.Random, document: Document) -> None:
    places_ = [
        p
        for p in places(document)
        if isinstance(p.member.kind, declaration.Code | declaration.Codes | declaration.Flag)
    ]
    place = rng.choice(places_)
    kind = place.member.kind
    if isinstance(kind, declaration.Code):
        place.value = rng.choice(kind.words)
    elif isinstance(kind, declaration.Codes):
        place.value = rng.sample(kind.words, rng.randint(0, min(3, len(kind.words))))
    else:
        place.value = not place.value


def _number(rng: random.Random, document: Document) -> None:
    found = [
        (p, p.member.kind) for p in places(document)
        if isinstance(p.member.kind, declaration.Int | declaration.Num) and p.member.name != "agitation_score" and not isinstance(p.value, dict)
    ]  # fmt: skip
    if found:
        place, kind = rng.choice(found)
        low, high = int(kind.low) + 1, max(int(kind.low) + 1, int(min(kind.high, 3 * float(place.value) + 5)))
        place.value = rng.randint(low, high)


def _no_id(rng: random.Random, document: Document) -> None:
    found = [p for p in places(document) if p.member.name == "id"]
    if found:
        del rng.choice(found).holder["id"]


def _reorder(rng: random.Random, document: Document) -> None:
    rng.shuffle(rng.choice(lists(document)))


def _delete(rng: random.Random, document: Document) -> None:
    items = rng.choice(lists(document))
    del items[rng.randrange(len(items))]


#: Changes that keep what every remaining item says: insert, delete, reorder.
LIST_CHANGES: tuple[Callable[[random.Random, Document], None], ...] = (_double, _delete, _reorder)
CHANGES = (_drop, _drop, _absent, _time, _time, _word, _word, _number, _no_id, *LIST_CHANGES)


def mutated(
    document: Document, seed: int, times: int, changes: tuple[Callable[[random.Random, Document], None], ...] = CHANGES
) -> Document:
    """A changed copy; the same seed gives the same change."""
    rng = random.Random(seed)
    out = copy.deepcopy(document)
    for _ in range(times):
        if lists(out):
            rng.choice(changes)(rng, out)
    return out
