"""Every representation for every input, and refusals in the language of the caller."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any
from xml.etree import ElementTree as ET

import pytest
from fhir.resources.R4B.bundle import Bundle

from service.api.answers import REVIEWS
from service.app import create_app
from service.formats.fhir import write as fhir_writer
from service.formats.nemsis import write as nemsis_writer
from service.pipeline import MEDIA_TYPES, Pipeline
from service.settings import Settings
from tests.contract.checked import Answer, Client, Contract
from tests.support.nemsis import RELEASE, SAMPLES
from tests.support.pipeline import demo, pipeline
from tests.support.reviews import instances
from tests.support.standards import shared

CANARY = "Zq7canaryXw"
FHIR = "application/fhir+json"
SERVICE = "/cds-services/restraint-review"


@pytest.fixture(scope="module")
def charts() -> dict[str, bytes]:
    """The same episode in every format that is taken."""
    body = json.dumps(demo("everything-wrong")).encode()
    episode = pipeline().read(body, "application/json").episode
    xml = nemsis_writer.write(demo("everything-wrong")).document
    return {"application/json": body, FHIR: fhir_writer.encoded(episode), "application/xml": xml, "text/xml": xml}


def post(client: Client, body: bytes, sent: str, wanted: str = "*/*", path: str = "/v1/reviews") -> Answer:
    return client.call("POST", path, body, {"Content-Type": sent, "Accept": wanted})


@pytest.mark.parametrize("wanted", REVIEWS)
@pytest.mark.parametrize("sent", MEDIA_TYPES)
def test_every_representation_for_every_input(client: Client, charts: dict[str, bytes], sent: str, wanted: str) -> None:
    answer = post(client, charts[sent], sent, wanted)
    assert answer.status == 200
    assert answer.headers["Content-Type"].partition(";")[0] == wanted
    assert answer.body == post(client, charts[sent], sent, wanted).body
    if wanted == "application/json":
        key = {"application/json": "pointer", FHIR: "fhirpath"}.get(sent, "xpath")
        places = [place for one in instances(answer.json) for place in one["pointers"]]
        assert places and all(key in place for place in places)
    elif wanted == FHIR:
        assert answer.json["resourceType"] == "OperationOutcome"
    elif wanted == "application/xml":
        assert ET.fromstring(answer.body).tag == "{http://purl.oclc.org/dsdl/svrl}schematron-output"


@pytest.mark.parametrize("media_type", ["application/xml", FHIR])
def test_the_examples_of_the_contract_are_reviewed(client: Client, contract: Contract, media_type: str) -> None:
    content = contract.document["paths"]["/v1/reviews"]["post"]["requestBody"]["content"]
    value = content[media_type]["examples"]["faulty"]["value"]
    answer = post(client, value.encode() if isinstance(value, str) else json.dumps(value).encode(), media_type)
    assert answer.status == 200
    assert answer.json["findings"]


@pytest.mark.parametrize(
    ("sent", "body", "status", "code"),
    [
        (FHIR, b"{", 400, "not-json"),
        (FHIR, b"{}", 422, "not-a-bundle"),
        (FHIR, b'{"resourceType": "Bundle"}', 422, "no-restraint"),
        ("application/xml", b"<a", 400, "not-xml"),
        ("application/xml", b"<a/>", 422, "not-nemsis"),
        ("application/xml", b"\xff\xfe<\x00", 400, "xml-not-utf-8"),
        ("text/xml", b'<!DOCTYPE a [<!ENTITY x "Zq7canaryXw">]><a>&x;</a>', 400, "xml-document-type"),
        ("application/xml", b'<EMSDataSet xmlns="http://www.nemsis.org"/>', 422, "no-chart"),
        ("application/xml", b"<a>" * 5000, 400, None),
    ],
)
def test_bad_charts_of_other_formats(client: Client, sent: str, body: bytes, status: int, code: str | None) -> None:
    answer = post(client, body, sent)
    assert answer.status == status
    assert CANARY.encode() not in answer.body
    if sent == FHIR:
        assert answer.headers["Content-Type"] == FHIR
        assert answer.json["issue"][0]["details"]["coding"][0]["code"] == code
    else:
        assert answer.headers["Content-Type"] == "application/problem+json"
        assert code is None or answer.json["code"] == code


@pytest.mark.parametrize("sent", MEDIA_TYPES)
def test_resources_on_request_for_every_input(client: Client, charts: dict[str, bytes], sent: str) -> None:
    """Held against the models of fhir.resources for R4B, whose elements are those of R4 for the types used here."""
    headers = {"Content-Type": sent, "Accept": FHIR}
    answer = client.call("POST", "/v1/reviews", charts[sent], headers, "resources=true")
    assert (answer.status, answer.headers["Content-Type"]) == (200, FHIR)
    Bundle.model_validate_json(answer.body)
    resources = [entry["resource"] for entry in answer.json["entry"]]
    findings = post(client, charts[sent], sent).json["findings"]
    safety = [[one["fingerprint"] for one in each["instances"]] for each in findings if each["category"] == "safety"]
    detected = [each for each in resources if each["resourceType"] == "DetectedIssue"]
    assert [[one["value"] for one in each["identifier"]] for each in detected] == safety != []
    closed = demo("everything-wrong")["chart"]["closed"]
    assert {each["identifiedDateTime"] for each in detected} == {closed}
    assert [each["recorded"] for each in resources if each["resourceType"] == "Provenance"] == [closed]
    plain = client.call("POST", "/v1/reviews", charts[sent], headers, "resources=false").json
    assert resources[0] == plain
    places = {part["valueString"] for part in _parts(detected, "location")}
    assert places <= {part["valueString"] for part in _parts(plain, "location")}


def _parts(node: Any, name: str) -> list[Any]:
    """Every part of an extension with this url, wherever it is."""
    if isinstance(node, list):
        return [part for each in node for part in _parts(each, name)]
    if isinstance(node, dict):
        return [*([node] if node.get("url") == name else ()), *_parts(list(node.values()), name)]
    return []


def test_resources_need_an_answer_that_can_hold_them(client: Client, charts: dict[str, bytes]) -> None:
    for wanted in set(REVIEWS) - {FHIR}:
        headers = {"Content-Type": "application/json", "Accept": wanted}
        answer = client.call("POST", "/v1/reviews", charts["application/json"], headers, "resources=true")
        assert (answer.status, answer.json["errors"][0]["parameter"]) == (400, "resources")


@pytest.fixture(scope="module")
def strict(contract: Contract) -> Client:
    """A service that holds every NEMSIS document against the published schema."""
    settings = Settings(nemsis_xsd_dir=shared(RELEASE))
    return Client(create_app(settings, Pipeline.build(schemas=shared(RELEASE), profiles=["default"])), contract)


def test_the_official_cases_as_a_caller_sends_them(client: Client, strict: Client) -> None:
    """NEMSIS TAC, pre-testing cases and sample data, release 3.5.1.250403CP1."""
    samples = sorted(shared(SAMPLES).glob("*/*.xml"))
    assert len(samples) > 15
    for path in samples:
        for checking in (client, strict):
            answer = post(checking, path.read_bytes(), "application/xml")
            if path.name == "New_Grouping_PatientRestraint.xml":
                assert answer.status == 200
            elif "FailXsd" in path.name and checking is strict:
                assert (answer.status, answer.json["code"]) == (422, "not-schema-valid")
                assert answer.json["errors"][0]["location"].endswith("/nem:PatientCareReport/nem:eSituation")
            else:
                assert (answer.status, answer.json["code"]) == (422, "no-restraint")


def test_who_asks_for_fhir_is_refused_in_fhir(client: Client) -> None:
    assert post(client, b"{}", "application/json", FHIR).json["resourceType"] == "OperationOutcome"
    assert post(client, b"{}", "application/json").headers["Content-Type"] == "application/problem+json"


# ---------------------------------------------------------------- CDS Hooks


def hook(episode: Any) -> bytes:
    return json.dumps(
        {
            "hook": "example.restraint-review.chart-close",
            "hookInstance": "2f6f1f6e-6a60-4f0a-9f57-3b1c2f4f8d11",
            "context": {"episode": episode},
        }
    ).encode()


def test_discovery_and_cards(client: Client) -> None:
    services = client.get("/cds-services").json["services"]
    assert {each["id"] for each in services} == {"restraint-review"}
    answer = post(client, hook(demo("everything-wrong")), "application/json", path=SERVICE)
    assert answer.status == 200
    assert answer.json["cards"]
    assert "suggestions" not in answer.body.decode()


@pytest.mark.parametrize(
    ("path", "body", "status"),
    [
        ("/cds-services/other", hook({}), 404),
        ("/cds-services/other/feedback", b"{}", 404),
        (SERVICE, b"{", 400),
        (SERVICE, b"{}", 422),
        (SERVICE, hook({"episode_ref": "a", "handover": CANARY}), 422),
        (f"{SERVICE}/feedback", b"{}", 422),
    ],
)
def test_refusals_of_cds_routes_are_outcomes(client: Client, path: str, body: bytes, status: int) -> None:
    answer = post(client, body, "application/json", path=path)
    assert (answer.status, answer.headers["Content-Type"]) == (status, FHIR)
    assert CANARY not in answer.body.decode()


def test_a_chart_without_restraint_has_no_cards(client: Client) -> None:
    """CDS Hooks 2.0, "CDS Service Response": an empty array of cards is the answer of a service with nothing to say."""
    patient, encounter = {"resourceType": "Patient", "id": "p"}, {"resourceType": "Encounter", "id": "e"}
    prefetched = {"patient": patient, "encounter": encounter, "procedures": None, "medications": None}
    asked = {
        "hook": "encounter-discharge",
        "hookInstance": "2f6f1f6e-6a60-4f0a-9f57-3b1c2f4f8d11",
        "context": {"userId": "Practitioner/x", "patientId": "p", "encounterId": "e"},
        "prefetch": prefetched | {"observations": None},
    }
    answer = post(client, json.dumps(asked).encode(), "application/json", path=SERVICE)
    assert (answer.status, answer.json) == (200, {"cards": []})
    # What was not sent whole may hold a restraint: that is no silence.
    body = json.dumps(asked | {"prefetch": prefetched}).encode()
    assert post(client, body, "application/json", path=SERVICE).status == 412
    empty = hook({}).replace(b'"episode": {}', b'"bundle": {"resourceType": "Bundle", "type": "collection"}')
    assert post(client, empty, "application/json", path=SERVICE).json == {"cards": []}


def test_missing_prefetch_is_412(client: Client) -> None:
    asked = {
        "hook": "encounter-discharge",
        "hookInstance": "2f6f1f6e-6a60-4f0a-9f57-3b1c2f4f8d11",
        "context": {"userId": "Practitioner/x", "patientId": "p", "encounterId": "e"},
        "fhirServer": "http://192.0.2.1/never-called",
    }
    assert post(client, json.dumps(asked).encode(), "application/json", path=SERVICE).status == 412


def _overridden(client: Client) -> float:
    """Cards that were overridden because the finding is wrong, as the metrics count them."""
    lines = client.get("/metrics").body.decode().splitlines()
    found = [line for line in lines if "feedback" in line and 'reason="finding-wrong"' in line and "_total" in line]
    return sum(float(line.rpartition(" ")[2]) for line in found)


def test_feedback_is_logged_and_counted_without_its_content(client: Client, logged: Callable[[], str]) -> None:
    before = _overridden(client)
    coding = {"system": "https://restraint-review.example/fhir/CodeSystem/override-reason", "code": "finding-wrong"}
    card = "2f6f1f6e-6a60-4f0a-9f57-3b1c2f4f8d11"
    told = {"card": card, "outcome": "overridden", "outcomeTimestamp": "2031-04-12T19:31:00Z"}
    told["overrideReason"] = {"reason": coding, "userComment": CANARY}  # type: ignore[assignment]
    answer = post(client, json.dumps({"feedback": [told]}).encode(), "application/json", path=f"{SERVICE}/feedback")
    assert (answer.status, answer.body) == (200, b"")
    assert _overridden(client) == before + 1
    assert '"route": "/cds-services/<service>/feedback"' in logged()
    assert CANARY not in logged() and card not in logged()


def test_feedback_is_answered_by_nothing(client: Client, contract: Contract) -> None:
    post_ = contract.document["paths"]["/cds-services/{service}/feedback"]["post"]
    value = post_["requestBody"]["content"]["application/json"]["examples"]["clean"]["value"]
    answer = post(client, json.dumps(value).encode(), "application/json", path=f"{SERVICE}/feedback")
    assert (answer.status, answer.body) == (200, b"")
