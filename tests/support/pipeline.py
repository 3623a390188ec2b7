"""One pipeline for all tests of a run (building it compiles the whole rulebook), and the demo episodes."""

from __future__ import annotations

import functools
import json
from typing import Any

from service.pipeline import Pipeline
from service.resources import demo_directory

#: The list of the demo episodes, itself no episode.
INDEX = "index.json"


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
