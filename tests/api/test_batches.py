"""Batches and measures: a line for a line, in order; nothing lost, nothing repeated."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import pytest

from service.api.batches import MOST_LINES
from service.app import create_app
from service.engine.fence import NotEvaluated
from service.formats.fhir import write as fhir_writer
from service.intake import episode_json
from service.pipeline import Pipeline
from service.settings import Settings
from tests.contract.checked import Answer, Client, Contract
from tests.support import nemsis
from tests.support.pipeline import Failing, demo, demo_names
from tests.support.reviews import instances

CANARY = "Zq7canaryXw"
NDJSON = {"Content-Type": "application/x-ndjson"}


def post(client: Client, body: bytes, path: str = "/v1/batches", query: str = "", **headers: str) -> Answer:
    return client.call("POST", path, body, {**NDJSON, **headers}, query)


def lines_of(answer: Answer) -> list[dict[str, Any]]:
    return [json.loads(line) for line in answer.body.splitlines()]


def test_each_line_is_the_review_of_its_episode(client: Client) -> None:
    episodes = [demo(name) for name in demo_names()]
    answer = post(client, b"\n".join(json.dumps(episode).encode() for episode in episodes))
    assert answer.status == 200
    assert answer.body.endswith(b"\n")
    found = lines_of(answer)
    assert [line["line"] for line in found] == list(range(1, len(episodes) + 1))
    assert [line["review"] for line in found] == [client.review(episode).json for episode in episodes]


def test_a_bad_line_says_so_and_the_rest_goes_on(client: Client, exemplary: Any) -> None:
    good = json.dumps(exemplary).encode()
    body = b"\n".join([good, b"", b"{", b'{"' + CANARY.encode() + b'": 1}', b"  \r", good, b"\xff", b""])
    answer = post(client, body)
    found = [(line["line"], line["status"]) for line in lines_of(answer)]
    assert found == [(1, 200), (3, 400), (4, 422), (6, 200), (7, 400)]
    assert CANARY not in answer.body.decode()
    for line in lines_of(answer):
        assert line["status"] == 200 or line["problem"]["errors"], line


@pytest.mark.parametrize(
    "body", [b"{", b"\xff", b"{}", b'{"a": 1, "a": 2}', b'{"episode_ref": 5}', b"NaN", b"[" * 4000]
)
def test_the_problem_of_a_line_is_the_problem_of_a_request(client: Client, body: bytes) -> None:
    alone = client.call("POST", "/v1/reviews", body, {"Content-Type": "application/json"})
    (line,) = lines_of(post(client, body))
    assert line == {"line": 1, "status": alone.status, "problem": alone.json}
    assert line["problem"]["title"]
    assert line["problem"]["detail"]


def test_an_empty_batch_is_an_empty_answer(client: Client) -> None:
    assert (post(client, b"\n \n").status, post(client, b"").body) == (200, b"")


@pytest.mark.parametrize(("count", "status"), [(MOST_LINES, 200), (MOST_LINES + 1, 413)])
def test_the_limit_of_lines_is_exact(client: Client, count: int, status: int) -> None:
    answer = post(client, b"{}\n" * count)
    assert answer.status == status
    assert len(lines_of(answer)) == MOST_LINES if status == 200 else answer.json["code"] == "too-many-lines"


@pytest.mark.parametrize("path", ["/v1/batches", "/v1/measures"])
def test_refusals(client: Client, path: str) -> None:
    assert client.call("POST", path, b"{}", {"Content-Type": "application/json"}).status == 415
    assert post(client, b"", path, Accept="image/png").status == 406
    assert post(client, b" " * 1024 * 1024, path).status == 413
    assert post(client, b"", path, f"{CANARY}=1").status == 400
    assert post(client, b"", path, "profile=nobody").json["code"] == "unknown-profile"


XML = {"Content-Type": "application/xml"}
SECOND = "0b6c2f8e-1f43-4a7d-9f63-3b8d8b3c6d11"


def test_every_chart_of_a_document_is_a_line(client: Client) -> None:
    body = nemsis.document(nemsis.pcr(), nemsis.pcr(restraint=False), nemsis.pcr(uuid=SECOND))
    for media_type in ("application/xml", "text/xml"):
        found = lines_of(client.call("POST", "/v1/batches", body, {"Content-Type": media_type}))
        assert [(line["line"], line["status"]) for line in found] == [(1, 200), (2, 422), (3, 200)]
        assert found[1]["problem"]["code"] == "no-restraint"
        assert found[1]["problem"]["errors"][0]["location"].endswith("/nem:PatientCareReport[2]")
        assert found[2]["review"]["episode_ref"] == SECOND
        places = [p["xpath"] for one in instances(found[2]["review"]) for p in one["pointers"]]
        assert places and all("PatientCareReport[3]" in place for place in places)
    assert client.call("POST", "/v1/reviews", body, XML).json["code"] == "several-charts"
    one = nemsis.document(nemsis.pcr())
    (line,) = lines_of(client.call("POST", "/v1/batches", one, XML))
    assert line["review"] == client.call("POST", "/v1/reviews", one, XML).json


@pytest.mark.parametrize(
    ("body", "status", "code"),
    [
        (b"<a", 400, "not-xml"),
        (b"<a/>", 422, "not-nemsis"),
        (b'<EMSDataSet xmlns="http://www.nemsis.org"/>', 422, "no-chart"),
        (nemsis.document(*["<PatientCareReport/>"] * (MOST_LINES + 1)), 413, "too-many-lines"),
        (b" " * 1024 * 1024, 413, "body-too-large"),
    ],
)
def test_a_document_that_cannot_be_read_as_a_whole(client: Client, body: bytes, status: int, code: str) -> None:
    answer = client.call("POST", "/v1/batches", body, XML)
    assert (answer.status, answer.json["code"]) == (status, code)


def test_bundles_are_lines_and_one_bundle_is_one(client: Client, exemplary: Any) -> None:
    bundle = fhir_writer.bundle(episode_json.from_value(exemplary).episode)
    body, headers = json.dumps(bundle).encode(), {"Content-Type": "application/fhir+json"}
    expected = client.call("POST", "/v1/reviews", body, headers).json
    (one,) = lines_of(client.call("POST", "/v1/batches", json.dumps(bundle, indent=1).encode(), headers))
    assert (one["line"], one["review"]) == (1, expected)
    mixed = b"\n".join([body, b"", b'{"resourceType": "Bundle"}', json.dumps(exemplary).encode(), body])
    for media_type in ("application/fhir+ndjson", "application/x-ndjson"):
        found = lines_of(client.call("POST", "/v1/batches", mixed, {"Content-Type": media_type}))
        assert [(line["line"], line["status"]) for line in found] == [(1, 200), (3, 422), (4, 200), (5, 200)]
        assert found[0]["review"] == found[3]["review"] == expected
        assert found[1]["problem"]["code"] == "no-restraint"
    assert lines_of(post(client, body + b"\n" + body, "/v1/measures"))[0]["lines"]["reviewed"] == 2


def test_measures_count_every_line(client: Client, exemplary: Any) -> None:
    good = json.dumps(exemplary).encode()
    answer = post(client, b"\n".join([good, good, b"{}", b""]), "/v1/measures", "period=week")
    assert answer.status == 200
    assert answer.json["lines"] | {"read": 3, "reviewed": 2, "rejected": 1} == answer.json["lines"]
    assert answer.json["period"] == "week"
    for measure in answer.json["measures"]:
        assert measure["denominator"] + sum(measure["aside"].values()) >= 0
        assert 0 <= measure["numerator"] <= measure["denominator"] <= 2
    table = post(client, good, "/v1/measures", Accept="text/csv")
    assert table.headers["Content-Type"] == "text/csv; charset=utf-8"
    assert len(table.body.splitlines()) > len(answer.json["measures"])
    assert post(client, good, "/v1/measures", "period=day").json["errors"][0]["parameter"] == "period"


@pytest.mark.parametrize(
    ("error", "status", "code"),
    [(NotEvaluated(CANARY), 503, "not-evaluated"), (ValueError(CANARY), 500, "internal-error")],
)
def test_a_line_that_fails_is_told_in_the_answer_and_in_the_log(
    pipeline: Pipeline, contract: Contract, logged: Callable[[], str], error: Exception, status: int, code: str
) -> None:
    client = Client(create_app(Settings(), Failing(pipeline, error)), contract)  # type: ignore[arg-type]
    answer = post(client, b"{}\n{}\n")
    assert [(line["status"], line["problem"]["code"]) for line in lines_of(answer)] == [(status, code)] * 2
    assert logged().count("line-not-reviewed") == 2
    assert CANARY not in logged() + answer.body.decode()
