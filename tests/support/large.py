"""The worst record grown: lists of the demo episode in which everything is wrong, repeated to any length."""

from __future__ import annotations

import copy
import itertools
import json
from collections.abc import Iterable, Iterator, Mapping
from datetime import datetime, timedelta
from typing import Any

from tests.support.episodes import Document
from tests.support.pipeline import demo

#: Five lists that grow with a long restraint, by their path.
FIVE = ("sedation/doses", "monitoring/vitals", "monitoring/limb_checks", "monitoring/events", "postures")


def lists() -> tuple[str, ...]:
    """Paths of the lists of objects in the worst record."""

    def walk(node: Mapping[str, Any], path: str) -> Iterator[str]:
        for name, value in node.items():
            if isinstance(value, dict):
                yield from walk(value, f"{path}{name}/")
            elif isinstance(value, list) and value and isinstance(value[0], dict):
                yield path + name

    return tuple(walk(demo("everything-wrong"), ""))


def grown(paths: Iterable[str], size: int) -> Document:
    """The worst record with so many items in each of the lists: those it has, again and again, a minute later each."""
    document = demo("everything-wrong")
    for path in paths:
        *above, name = path.split("/")
        holder = document
        for step in above:
            holder = holder[step]
        holder[name] = list(itertools.islice(_again(holder[name]), size))
    return document


def _again(items: list[Document]) -> Iterator[Document]:
    for number in itertools.count():
        for place, item in enumerate(items):
            made = _later(copy.deepcopy(item), number)
            if number and "id" in made:
                made["id"] = f"x{number}-{place}"
            yield made


def _later(item: Document, minutes: int) -> Document:
    for name, value in item.items():
        if isinstance(value, str) and len(value) == 25 and value[10] == "T":
            item[name] = (datetime.fromisoformat(value) + timedelta(minutes=minutes)).isoformat()
    return item


def body(paths: Iterable[str], size: int) -> bytes:
    return json.dumps(grown(paths, size)).encode()
