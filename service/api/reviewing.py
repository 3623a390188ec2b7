"""One review for a route: its place, its time, its refusals, its counts."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

from service.engine.fence import NotEvaluated
from service.observe import log, metrics
from service.pipeline import Pipeline, UnknownProfile
from service.problems import ProblemItem, Rejected, known_code
from service.review.build import AT_CLOSING, Review, Wanted

from .capacity import Capacity
from .problems import Refusal

T = TypeVar("T")
#: What makes an answer of a review; calls the checkpoint it is given as it goes.
Render = Callable[[Review, Callable[[], None]], T]


class Reviewing:
    """The pipeline as the routes use it. Not ``ready``: whatever could be reviewed is answered 503."""

    def __init__(self, pipeline: Pipeline, capacity: Capacity, ready: bool, default_profile: str) -> None:
        self.pipeline = pipeline
        self.capacity = capacity
        self._ready = ready
        self._default_profile = default_profile

    def profile(self, values: dict[str, str]) -> str:
        """The profile that is asked for. Refusal 400 when there is none of that id, 503 when nothing is reviewed."""
        if not self._ready:
            raise Refusal("not-ready", headers={"Retry-After": "1"})
        profile = values.get("profile", self._default_profile)
        if profile not in self.pipeline.served:
            text = f"No profile with this id is served. Served: {', '.join(self.pipeline.served)}."
            wrong = ProblemItem("unknown-profile", text, parameter="profile")
            raise Refusal("unknown-profile", [wrong])
        return profile

    def review(self, body: bytes, media_type: str, profile: str, render: Render[T], wanted: Wanted = AT_CLOSING) -> T:
        """What ``render`` makes of one review. Refusal 400, 422, 429, 503."""
        try:
            return self.read_and_review(body, media_type, profile, render, wanted)
        except Rejected as rejected:
            code = known_code(rejected.code, rejected.status)
            raise Refusal(code, rejected.errors, rejected.omitted) from None

    def read_and_review(
        self, body: bytes, media_type: str, profile: str, render: Render[T], wanted: Wanted = AT_CLOSING
    ) -> T:
        """What ``render`` makes of one review. Raises Rejected (400, 422); Refusal 429, 503."""
        try:
            with self.capacity.review(len(body)) as checkpoint:
                found = self.pipeline.review(body, media_type, profile, wanted, checkpoint)
                made = render(found, checkpoint)
        except UnknownProfile:
            raise Refusal("unknown-profile") from None
        except NotEvaluated:
            raise Refusal("not-evaluated", headers={"Retry-After": "1"}) from None
        count(found)
        return made


def count(found: Review) -> None:
    """Count the outcomes, and write a line when a rule could not be decided."""
    metrics.reviewed(found.outcomes, found.disagreements)
    if found.document["summary"]["error"]:
        failed = [rule for rule, outcome in found.outcomes.items() if outcome == "error"]
        log.emit("error", "rules-not-decided", rules=" ".join(failed))
