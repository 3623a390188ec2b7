"""One line in, one line out, whatever the line holds."""

from __future__ import annotations

import io
import json
from typing import Any

import orjson
import pytest

from service.batch import blocks, lines
from service.engine.fence import NotEvaluated
from service.pipeline import Pipeline, UnknownProfile
from service.representations import review_json
from service.review.build import Wanted
from tests.batch.made import BAD
from tests.support.batch import review_line
from tests.support.episodes import encoded
from tests.support.pipeline import demo, demo_names


@pytest.mark.parametrize("name", demo_names())
def test_a_good_line_is_the_review_of_the_service(pipeline: Pipeline, name: str) -> None:
    body = encoded(demo(name))
    found = review_line(pipeline, body, 7, "default", Wanted(True, True, True))
    review = review_json.render(pipeline.review(body, "application/json", "default", Wanted(True, True, True)))
    assert found == b'{"line":7,"status":200,"review":' + review + b"}"
    assert b"\n" not in found
    assert review_line(pipeline, body + b"\r\n", 7, "default", Wanted(True, True, True)) == found


@pytest.mark.parametrize(
    ("body", "status", "code", "pointer"),
    [
        (BAD, 422, "invalid-episode", "/episode_ref"),
        (b"{}", 422, "invalid-episode", ""),
        (b"[]", 422, "invalid-episode", ""),
        (b"canary", 400, "not-json", ""),
        (b"\xff", 400, "not-utf-8", ""),
        (b'{"episode_ref": "a", "episode_ref": "canary"}', 400, "duplicate-member", ""),
        (b'{"episode_ref": "a", "canary": 1}', 422, "invalid-episode", ""),
        (b"[" * 4000, 400, "too-deep", ""),
    ],
)
def test_a_bad_line_has_a_place_and_repeats_nothing(
    pipeline: Pipeline, body: bytes, status: int, code: str, pointer: str
) -> None:
    text = review_line(pipeline, body, 3)
    found = json.loads(text)
    assert (found["line"], found["status"], found["problem"]["status"], found["problem"]["code"]) == (
        3,
        status,
        status,
        code,
    )
    assert found["problem"]["errors"][0]["pointer"] == pointer
    assert "canary" not in text.decode()
    assert "review" not in found


def test_a_line_that_is_too_long(pipeline: Pipeline) -> None:
    assert json.loads(review_line(pipeline, None, 9))["problem"]["code"] == "body-too-large"


@pytest.mark.parametrize(
    ("error", "status", "code"),
    [(NotEvaluated("x"), 503, "not-evaluated"), (RuntimeError("canary"), 500, "internal-error")],
)
def test_a_fault_of_ours_is_the_line_s_own_answer(
    pipeline: Pipeline, monkeypatch: pytest.MonkeyPatch, error: Exception, status: int, code: str
) -> None:
    def fail(*_: Any, **__: Any) -> None:
        raise error

    monkeypatch.setattr(pipeline, "review", fail)
    text = review_line(pipeline, BAD, 1)
    assert (json.loads(text)["status"], json.loads(text)["problem"]["code"]) == (status, code)
    assert b"canary" not in text


def test_an_unknown_profile_is_no_fault_of_a_line(pipeline: Pipeline) -> None:
    with pytest.raises(UnknownProfile):
        review_line(pipeline, BAD, 1, "nobody")
    with pytest.raises(UnknownProfile):
        lines.versions(pipeline, "nobody")


def test_versions_are_those_of_a_review(pipeline: Pipeline) -> None:
    for profile in pipeline.rulebook.profiles:
        review = pipeline.review(b'{"episode_ref":"a"}', "application/json", profile)
        assert lines.versions(pipeline, profile) == review.document["versions"]


def test_empty_lines_are_counted_and_not_answered() -> None:
    assert list(lines.split(b"\n a \r\n\r\n\t\nb")) == [(2, b" a \r"), (5, b"b")]
    assert list(lines.split(b"")) == []


def test_reading_never_holds_more_than_a_line() -> None:
    stream = io.BytesIO(b"abc\n" + b"x" * 50 + b"\nde\n" + b"y" * 5)
    assert list(lines.read(stream, 4)) == [(b"abc\n", 4), (None, 51), (b"de\n", 3), (None, 5)]
    assert list(lines.read(io.BytesIO(b"abcd"), 4)) == [(b"abcd", 4)]


def test_one_line_is_at_most_what_the_service_takes(pipeline: Pipeline, tmp_path: Any) -> None:
    path = tmp_path / "a"
    path.write_bytes(orjson.dumps({"episode_ref": "a", "narrative": "n" * 100}) + b"\n" + b'{"episode_ref":"b"}\n')
    placed = blocks.Placed(blocks.Block(0, str(path), 0, path.stat().st_size), 0)
    assert [line is None for _, line in blocks.owned(placed, 60)] == [True, False]
