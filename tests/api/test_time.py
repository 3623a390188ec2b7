"""REVIEW_SECONDS: a review that takes longer ends soon after, in whichever step it is, and so does writing its answer."""

from __future__ import annotations

import time
from dataclasses import replace

import pytest

from service.api import answers
from service.app import create_app
from service.pipeline import Pipeline
from service.settings import Settings
from tests.support import large

BODY = large.body(large.FIVE, 1500)
#: CPU seconds after the time is up: the longest way from one checkpoint to the next, on a slow machine.
SOON = 0.5


@pytest.mark.parametrize("seconds", [0.02, 0.1, 0.2])
def test_a_review_that_takes_too_long_ends(pipeline: Pipeline, seconds: float) -> None:
    settings = replace(Settings(), review_seconds=seconds, in_hand=1)  # type: ignore[arg-type]
    client = create_app(settings, pipeline).test_client()
    for accept in answers.REVIEWS:
        began = time.process_time()
        answer = client.post("/v1/reviews", data=BODY, content_type="application/json", headers={"Accept": accept})
        assert (answer.status_code, answer.headers["Retry-After"]) == (503, "1")
        assert b"review-too-slow" in answer.data
        assert time.process_time() - began < seconds + SOON, "and its place is free again for the next"
