"""The order of refusals, and each kind of bad input: its status, its place, and nothing of it repeated."""

from __future__ import annotations

import gzip
import json
from collections.abc import Callable, Iterator, Mapping
from typing import Any

import pytest

from service.app import create_app
from service.engine.fence import NotEvaluated
from service.pipeline import MEDIA_TYPES, Pipeline
from service.settings import Settings
from tests.api.conftest import MOST_BYTES
from tests.contract.checked import Answer, Client, Contract

CANARY = "Zq7canaryXw"
JSON = {"Content-Type": "application/json"}
GOOD = b'{"episode_ref":"a"}'


def refused(answer: Answer, status: int, code: str | None = None, pointer: str | None = None) -> None:
    assert answer.status == status, answer.body
    assert answer.headers["Content-Type"] == "application/problem+json"
    problem = answer.json
    assert problem["status"] == status
    assert problem["type"] == f"/problems/{problem['code']}"
    assert CANARY not in answer.body.decode() + repr(answer.headers)
    if code is not None:
        assert problem["code"] == code
    if pointer is not None:
        assert pointer in [each.get("pointer") for each in problem["errors"]], problem


# Each step has its own fault and, on top of it, those of every later step; the first has to win.
_BIG = b"[" * (MOST_BYTES + 1)
_ORDER: list[tuple[int, str, str, Mapping[str, str], bytes, str]] = [
    (404, "POST", f"/v1/{CANARY}", {"Content-Type": "text/plain", "Accept": "image/png"}, _BIG, "explain=2"),
    (405, "PUT", "/v1/reviews", {"Content-Type": "text/plain", "Accept": "image/png"}, _BIG, "explain=2"),
    (415, "POST", "/v1/reviews", {"Content-Type": "text/plain", "Accept": "image/png"}, _BIG, "explain=2"),
    (406, "POST", "/v1/reviews", {**JSON, "Accept": "image/png"}, _BIG, "explain=2"),
    (413, "POST", "/v1/reviews", JSON, _BIG, "explain=2"),
    (400, "POST", "/v1/reviews", JSON, b"{}", "explain=2"),
    (422, "POST", "/v1/reviews", JSON, b"{}", ""),
]


@pytest.mark.parametrize(
    ("status", "method", "path", "headers", "body", "query"), _ORDER, ids=lambda each: str(each)[:20]
)
def test_refusals_come_in_the_settled_order(
    client: Client, status: int, method: str, path: str, headers: Mapping[str, str], body: bytes, query: str
) -> None:
    refused(client.call(method, path, body, headers, query), status)


@pytest.mark.parametrize(
    ("body", "code"),
    [
        (b"", "not-json"),
        (b"not json " + CANARY.encode(), "not-json"),
        (b'{"episode_ref":"' + CANARY.encode(), "not-json"),
        (b'{"episode_ref":"a","' + CANARY.encode() + b'":NaN}', "not-a-number"),
        (b'{"episode_ref":"a","x":-Infinity}', "not-a-number"),
        (b'{"episode_ref":"a","narrative":"' + CANARY.encode() + b'\\ud800"}', "lone-surrogate"),
        (b'{"episode_ref":"a","episode_ref":"' + CANARY.encode() + b'"}', "duplicate-member"),
        (b'{"a":' * 300 + b"1" + b"}" * 300, "too-deep"),
        (b"[" * 100_000, "too-deep"),
        (b'\xff\xfe{"episode_ref":"a"}', "not-utf-8"),
    ],
    ids=lambda each: each if isinstance(each, str) else "",
)
def test_not_well_formed_is_400(client: Client, body: bytes, code: str) -> None:
    refused(client.review(body), 400, code, "")


@pytest.mark.parametrize(
    ("episode", "pointer"),
    [
        ({}, ""),
        ([], ""),
        (CANARY, ""),
        ({"episode_ref": "a", CANARY: CANARY}, ""),
        ({"episode_ref": "a", "handover": {"time": "2031-04-12T18:09:00"}}, "/handover/time"),
        ({"episode_ref": "a", "handover": {"time": "2031-02-30T18:09:00Z"}}, "/handover/time"),
        ({"episode_ref": "a", "handover": {"time": CANARY}}, "/handover/time"),
        ({"episode_ref": "a", "sedation": {"doses": [{"drug": "ketamine", "dose": -4}]}}, "/sedation/doses/0/dose"),
        ({"episode_ref": "a", "sedation": {"doses": [{"drug": CANARY}]}}, "/sedation/doses/0/drug"),
        (
            {"episode_ref": "a", "postures": [{"id": "p", "posture": "supine"}, {"id": "p", "posture": "prone"}]},
            "/postures/1/id",
        ),
        ({"episode_ref": "a", "handover": None}, "/handover"),
        ({"episode_ref": "a", "patient": {CANARY: 1}}, "/patient"),
    ],
    ids=lambda each: json.dumps(each)[:40],
)
def test_not_an_episode_is_422_with_its_place(client: Client, episode: Any, pointer: str) -> None:
    refused(client.review(episode), 422, None, pointer)


def _places(value: Any, at: str = "") -> Iterator[tuple[str, Any, Any]]:
    """(pointer, parent, key) of every value below ``value``; what says why a value is absent is one place."""
    pairs = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    absence = isinstance(value, dict) and "absent" in value
    for key, child in list(pairs):
        yield at if absence else f"{at}/{key}", value, key
        yield from _places(child, f"{at}/{key}")


def test_the_wrong_type_is_refused_at_every_place(client: Client, exemplary: Any) -> None:
    walked = 0
    for pointer, parent, key in _places(exemplary):
        kept = parent[key]
        # A list in a list is wrong wherever no list is expected; where one is, a number is.
        parent[key] = 1 if isinstance(kept, list) else [[CANARY]]
        answer = client.review(exemplary)
        refused(answer, 422)
        found = [each["pointer"] for each in answer.json["errors"]]
        assert any(each == pointer or each.startswith(f"{pointer}/") for each in found), (pointer, found)
        parent[key] = kept
        walked += 1
    assert walked > 500
    assert client.review(exemplary).status == 200


@pytest.mark.parametrize("content_type", ["text/plain", "", "application/json; charset=latin-1", CANARY, "image/png"])
def test_another_media_type_is_415(client: Client, content_type: str) -> None:
    answer = client.call("POST", "/v1/reviews", GOOD, {"Content-Type": content_type})
    refused(answer, 415, "unsupported-media-type")
    assert answer.headers["Accept"] == ", ".join(MEDIA_TYPES)
    assert all(media_type in answer.json["errors"][0]["detail"] for media_type in MEDIA_TYPES)
    assert "Accept header" not in answer.body.decode()


@pytest.mark.parametrize(
    "content_type", ["application/json", "Application/JSON; charset=UTF-8", 'application/json;charset="utf-8"']
)
def test_json_in_utf8_is_taken(client: Client, content_type: str) -> None:
    assert client.call("POST", "/v1/reviews", GOOD, {"Content-Type": content_type}).status == 200


def test_a_compressed_body_is_415(client: Client) -> None:
    answer = client.review(gzip.compress(GOOD), headers={"Content-Encoding": "gzip"})
    refused(answer, 415, "unsupported-content-coding")
    assert answer.headers["Accept-Encoding"] == "identity"


@pytest.mark.parametrize(("size", "status"), [(MOST_BYTES, 200), (MOST_BYTES + 1, 413)])
def test_the_limit_of_the_body_is_exact(client: Client, size: int, status: int) -> None:
    body = GOOD + b" " * (size - len(GOOD))
    assert client.review(body).status == status


@pytest.mark.parametrize(
    ("query", "code", "parameters"),
    [
        (f"profile={CANARY}", "unknown-profile", ["profile"]),
        (f"explain={CANARY}", "bad-query", ["explain"]),
        ("explain=", "bad-query", ["explain"]),
        ("explain=true&explain=true", "bad-query", ["explain"]),
        (f"{CANARY}=1", "bad-query", [None]),
        (f"{CANARY}=1&profile=a&profile=b", "bad-query", [None, "profile"]),
    ],
)
def test_a_query_that_is_not_understood_is_400(
    client: Client, query: str, code: str, parameters: list[str | None]
) -> None:
    answer = client.review(GOOD, query)
    refused(answer, 400, code)
    assert [each.get("parameter") for each in answer.json["errors"]] == parameters


@pytest.mark.parametrize("path", ["/v1/rules", "/v1/rules/RR-9999", "/v1/profiles", "/v1/profiles/x", "/v1/facts"])
def test_resources_take_no_query(client: Client, path: str) -> None:
    refused(client.get(path, query=f"{CANARY}={CANARY}"), 400, "bad-query")


@pytest.mark.parametrize(
    "path",
    [
        f"/{CANARY}",
        f"/v1/rules/{CANARY}",
        f"/v1/profiles/{CANARY}",
        f"/x//{CANARY}",
        "/v1/reviews/",
        f"/v1/rules/%ff{CANARY}",
    ],
)
def test_an_unknown_address_is_404_and_is_not_repeated(client: Client, path: str) -> None:
    refused(client.get(path), 404, "not-found")


def test_a_profile_that_is_not_served_is_refused_with_those_that_are(contract: Contract) -> None:
    """All of them are listed under /v1/profiles, and a request can ask for those that a setting names."""
    few = Pipeline.build(profiles=["default", "clark-2025"])
    client = Client(create_app(Settings(), few), contract)
    answer = client.call("POST", "/v1/reviews", GOOD, JSON, "profile=rhode-island")
    refused(answer, 400, "unknown-profile")
    (wrong,) = answer.json["errors"]
    assert (wrong["code"], wrong["detail"]) == (
        "unknown-profile",
        "No profile with this id is served. Served: clark-2025, default.",
    )
    everything = client.call("GET", "/v1/profiles", b"", {}, "").json["profiles"]
    listed = {entry["id"]: entry["served"] for entry in everything}
    assert {name for name, served in listed.items() if served} == {"default", "clark-2025"}
    assert "rhode-island" in listed


class _Pipeline:
    """The real pipeline with one part failing."""

    def __init__(self, real: Pipeline, error: Exception | None = None, failures: list[str] | None = None) -> None:
        self.rulebook, self.served = real.rulebook, real.served
        self._error = error
        self._failures = failures or []

    def self_test(self) -> list[str]:
        return self._failures

    def review(self, *_: object, **__: object) -> Any:
        assert self._error is not None
        raise self._error


def _failing(pipeline: Pipeline, contract: Contract, **how: Any) -> Client:
    return Client(create_app(Settings(), _Pipeline(pipeline, **how)), contract)  # type: ignore[arg-type]


def test_a_crash_is_500_without_its_text(pipeline: Pipeline, contract: Contract, logged: Callable[[], str]) -> None:
    refused(_failing(pipeline, contract, error=ValueError(CANARY)).review(GOOD), 500, "internal-error")
    assert "ValueError" in logged() and CANARY not in logged()


def test_an_evaluation_that_did_not_finish_is_503(pipeline: Pipeline, contract: Contract) -> None:
    answer = _failing(pipeline, contract, error=NotEvaluated(CANARY)).review(GOOD)
    refused(answer, 503, "not-evaluated")
    assert answer.headers["Retry-After"] == "1"


def test_without_a_passed_self_test_nothing_is_reviewed(pipeline: Pipeline, contract: Contract) -> None:
    client = _failing(pipeline, contract, failures=["RR-0000: an example fails"])
    refused(client.get("/health/ready"), 503, "not-ready")
    refused(client.review(GOOD), 503, "not-ready")
    assert client.get("/health/live").status == 200
