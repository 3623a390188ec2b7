"""One pipeline for all tests of a process (building it compiles the whole rulebook), and the demo episodes."""

from __future__ import annotations

import functools
import json
from collections.abc import Collection
from pathlib import Path
from typing import Any
from weakref import WeakKeyDictionary

from service import pipeline as building
from service.pipeline import Pipeline
from service.resources import demo_directory, rules_directory
from service.rulebook import load as loading
from service.rulebook.load import Rulebook

#: The list of the demo episodes, itself no episode.
INDEX = "index.json"


def share_builds() -> None:
    """Have what is built of the shipped files alone built once a process, and the examples run once for each pipeline.

    Commands and applications build one each, and the engine never frees a ruleset. What names a folder is always built.
    """
    build, self_test, load = Pipeline.build, Pipeline.self_test, loading.load_rulebook
    shipped_book = functools.cache(lambda: load(rules_directory()))

    def loaded(directory: Path, extra: Path | None = None) -> Rulebook:
        return load(directory, extra) if extra or directory != rules_directory() else shipped_book()

    @functools.cache
    def shipped(profiles: tuple[str, ...] | None) -> Pipeline:
        return build(profiles=profiles)

    def shared(*places: Any, profiles: Collection[str] | None = None, **named: Any) -> Pipeline:
        if any((*places, *named.values())):
            return build(*places, profiles=profiles, **named)
        return shipped(None if profiles is None else tuple(profiles))

    def tested(self: Pipeline) -> list[str]:
        if self not in failures:
            failures[self] = self_test(self)
        return list(failures[self])

    failures: WeakKeyDictionary[Pipeline, list[str]] = WeakKeyDictionary()
    loading.load_rulebook = building.load_rulebook = loaded
    Pipeline.build = shared  # type: ignore[method-assign, assignment]
    Pipeline.self_test = tested  # type: ignore[method-assign]


def said_by(book: Rulebook) -> int:
    """A hash of all that the rules, texts, profiles and sources of a rulebook say."""
    raw = [rule.raw for rule in book.rules]  # not in the repr of a rule
    return hash(repr((raw, book.rules, book.texts, book.profiles, book.sources, book.facts, book.shared)))


@functools.cache
def pipeline() -> Pipeline:
    """The shipped rulebook under every shipped profile."""
    return Pipeline.build()


@functools.cache
def demo_names() -> tuple[str, ...]:
    """The demo episodes by name, in order."""
    return tuple(sorted(path.stem for path in demo_directory().glob("*.json") if path.name != INDEX))


def demo(name: str) -> dict[str, Any]:
    """A fresh copy of a demo episode."""
    return dict(json.loads((demo_directory() / f"{name}.json").read_text(encoding="utf-8")))


class Failing:
    """A pipeline in which every review ends in an error."""

    def __init__(self, real: Pipeline, error: Exception) -> None:
        self.rulebook = real.rulebook
        self.served = real.served
        self._error = error

    def self_test(self) -> list[str]:
        return []

    def review(self, *_: object, **__: object) -> Any:
        raise self._error
