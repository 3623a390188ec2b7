"""One review in its stages: what each costs, on bodies that are new to all of them.

Stages follow one another on the same body, as in the service, so that nothing
that a stage keeps is met before its time. The engine is asked first; the
evaluator then decides with the engine's answer at hand, which is the rest of
the decision: evaluation, comparison, outcomes.
"""

from __future__ import annotations

import copy
import json
import time
from collections.abc import Callable, Sequence
from typing import Any

from service.checkpoint import Checkpoint, never
from service.engine.decide import Decider
from service.facts.fact import Fact
from service.pipeline import Pipeline
from service.representations import review_json
from service.review.build import build as build_review
from tests.benchmark.episodes import path, variants
from tests.benchmark.timing import Figure

PROFILE = "default"
MEDIA_TYPE = "application/json"
STAGES = ("intake", "facts", "engine", "evaluator", "review", "presentation")


class _Answered:
    """A fence that has the answer."""

    def __init__(self) -> None:
        self.fired: set[tuple[int, int]] = set()

    def fire(self, _facts: Sequence[Fact], _checkpoint: Checkpoint = never) -> set[tuple[int, int]]:
        return self.fired


class Subject:
    """A pipeline with its engine and its evaluator apart."""

    def __init__(self, pipeline: Pipeline, decider: Decider | None = None) -> None:
        self.pipeline = pipeline
        self.decider = decider or pipeline._deciders[PROFILE]
        self.fence: Any = self.decider._fence
        self.answered = _Answered()
        self.evaluator = copy.copy(self.decider)
        self.evaluator._fence = self.answered  # type: ignore[assignment]

    def evaluate(self, sheet: Any, fired: set[tuple[int, int]]) -> Any:
        """The decision with the engine's answer at hand."""
        self.answered.fired = fired
        return self.evaluator.decide(sheet)

    def stages(self, body: bytes, took: Callable[[str], None]) -> bytes:
        """One review; ``took`` is told the name of every stage that has ended."""
        intake = self.pipeline.read(body, MEDIA_TYPE)
        took("intake")
        sheet = self.pipeline.facts(intake.episode)
        took("facts")
        fired = self.fence.fire(sheet.facts)
        took("engine")
        decisions = self.evaluate(sheet, fired)
        took("evaluator")
        review = build_review(self.pipeline._rulesets[PROFILE], intake, sheet, decisions)
        took("review")
        answer = review_json.render(review)
        took("presentation")
        return answer

    def whole(self, body: bytes) -> bytes:
        """The same as the service does it."""
        return review_json.render(self.pipeline.review(body, MEDIA_TYPE, PROFILE))


def bodies(size: int, number: int = 50, narrative: str | None = None) -> list[bytes]:
    """Variants of one benchmark episode. ``narrative``: in place of the few words that it has, none where it is empty."""
    document = json.loads(path(size).read_text("utf-8"))
    if narrative is not None:
        document["narrative"] = narrative
    return [json.dumps(variant).encode() for variant in variants(document, number)]


def measure(subject: Subject, sent: Sequence[bytes], rounds: int) -> dict[str, Figure]:
    """Every stage, their ``sum``, and the ``whole`` review without stops on the way; one round is all bodies once."""
    for body in sent[:5]:
        if subject.stages(body, lambda _: None) != subject.whole(body):
            raise SystemExit("the stages do not give the service's answer")
    found: dict[str, list[float]] = {name: [] for name in (*STAGES, "sum", "whole")}
    for _ in range(rounds):
        totals = dict.fromkeys(STAGES, 0.0)
        last = 0.0

        def took(name: str, totals: dict[str, float] = totals) -> None:
            nonlocal last
            now = time.process_time()
            totals[name] += now - last
            last = now

        for body in sent:
            last = time.process_time()
            subject.stages(body, took)
        start = time.process_time()
        for body in sent:
            subject.whole(body)
        totals |= {"sum": sum(totals.values()), "whole": time.process_time() - start}
        for name, seconds in totals.items():
            found[name].append(seconds / len(sent) * 1e6)
    return {name: Figure(tuple(values)) for name, values in found.items()}
