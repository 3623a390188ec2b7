"""The episodes that figures are measured with are what their names say."""

from __future__ import annotations

import json

import pytest

from tests.benchmark.episodes import SIZES, episode, path, text, timed_items, variants
from tests.support.pipeline import pipeline
from tests.support.reviews import instances, review


@pytest.mark.parametrize("size", SIZES)
def test_size_and_bytes(size: int) -> None:
    document = episode(size)
    assert timed_items(document) == size
    assert path(size).read_text(encoding="utf-8") == text(document)


@pytest.mark.parametrize("size", SIZES)
def test_review_has_something_to_say_and_nothing_critical(size: int) -> None:
    """The missing round of checks on four limbs is found; the low saturation was answered."""
    answer = review(pipeline(), json.loads(path(size).read_text(encoding="utf-8")))
    assert answer["summary"]["by_severity"]["critical"] == 0
    assert answer["summary"]["error"] == 0
    assert sum(one["rule"]["id"] == "RR-1307" for one in instances(answer)) == 4


def test_variants_differ_in_ref_and_digest_and_in_nothing_found() -> None:
    base = episode(60)
    answers = [review(pipeline(), document) for document in variants(base, 3)]
    assert len({answer["episode_ref"] for answer in answers}) == 3
    assert len({answer["input_digest"] for answer in answers}) == 3
    assert {json.dumps([one["fingerprint"] for one in instances(answer)]) for answer in answers} == {
        json.dumps([one["fingerprint"] for one in instances(review(pipeline(), base))])
    }
