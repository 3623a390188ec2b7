"""Pages of other origins that call the CDS Hooks service (Fetch standard, CORS protocol), and versions of FHIR."""

from __future__ import annotations

import pytest

from service.app import create_app
from service.pipeline import Pipeline
from service.settings import Settings, read_settings

ORIGIN = "https://charts.example.org"


def _asked(pipeline: Pipeline, origins: tuple[str, ...], origin: str) -> dict[str, str]:
    client = create_app(Settings(cds_origins=origins), pipeline).test_client()
    answer = client.options("/cds-services/restraint-review", headers={"Origin": origin})
    return {name: value for name, value in answer.headers if name.startswith("Access-Control") or name == "Vary"}


def test_an_origin_that_is_set_may_call_and_no_other(pipeline: Pipeline) -> None:
    told = _asked(pipeline, (ORIGIN,), ORIGIN)
    assert told["Access-Control-Allow-Origin"] == ORIGIN
    assert told["Access-Control-Allow-Methods"] == "GET, POST"
    assert told["Vary"] == "Origin"
    assert "Access-Control-Allow-Origin" not in _asked(pipeline, (ORIGIN,), "https://other.example.org")
    assert _asked(pipeline, (), ORIGIN) == {}


def test_only_the_cds_service_is_opened(pipeline: Pipeline) -> None:
    client = create_app(Settings(cds_origins=(ORIGIN,)), pipeline).test_client()
    services = client.get("/cds-services", headers={"Origin": ORIGIN})
    assert services.headers["Access-Control-Allow-Origin"] == ORIGIN
    assert "Access-Control-Allow-Origin" not in client.get("/v1/rules", headers={"Origin": ORIGIN}).headers


def test_origins_are_read_from_the_setting() -> None:
    assert read_settings({"RESTRAINT_REVIEW_CDS_ORIGINS": f"{ORIGIN},http://a:81"}).cds_origins == (
        ORIGIN,
        "http://a:81",
    )


@pytest.mark.parametrize(("version", "status"), [("4.0", 422), ("4.3", 422), ("5.0", 422), ("3.0", 422)])
def test_only_r4_is_taken_for_a_bundle(pipeline: Pipeline, version: str, status: int) -> None:
    client = create_app(Settings(), pipeline).test_client()
    body = b'{"resourceType": "Bundle", "type": "collection", "entry": []}'
    answer = client.post("/v1/reviews", data=body, content_type=f"application/fhir+json; fhirVersion={version}")
    assert answer.status_code == status
    assert (b"unsupported-version" in answer.data) == (version in ("5.0", "3.0"))
