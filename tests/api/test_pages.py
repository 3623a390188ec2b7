"""The start page and its form."""

from __future__ import annotations

import json
from typing import Any

import pytest

from service.app import create_app
from service.formats.fhir import write as fhir_writer
from service.intake import episode_json
from service.pages.start import ACTION
from service.settings import Settings
from tests.contract.checked import Answer, Client
from tests.support import nemsis
from tests.support.episodes import many_dangers
from tests.support.pipeline import demo_names, pipeline

CANARY = "Zq7canaryXw"


def send(client: Client, *parts: tuple[str, str, bytes], boundary: str = "xx", query: str = "") -> Answer:
    body = b""
    for name, more, content in parts:
        body += (
            f'--{boundary}\r\nContent-Disposition: form-data; name="{name}"{more}\r\n\r\n'.encode() + content + b"\r\n"
        )
    body += f"--{boundary}--\r\n".encode()
    return client.call("POST", ACTION, body, {"Content-Type": f"multipart/form-data; boundary={boundary}"}, query)


def file(content: bytes) -> tuple[str, str, bytes]:
    return "file", f'; filename="{CANARY}.json"', content


def test_the_start_page_offers_every_demo_episode(client: Client) -> None:
    page = client.get("/")
    assert "form-action 'self'" in page.headers["Content-Security-Policy"]
    assert "frame-ancestors 'none'" in page.headers["Content-Security-Policy"]
    assert all(f'value="{name}"'.encode() in page.body for name in demo_names())
    assert client.get("/", {"Accept": "application/json"}).status == 406


@pytest.mark.parametrize("name", demo_names())
def test_each_demo_episode_is_reviewed(client: Client, name: str) -> None:
    answer = send(client, ("demo", "", name.encode()), ("profile", "", b"default"))
    assert (answer.status, answer.headers["Content-Type"]) == (200, "text/html; charset=utf-8")


def test_a_file_is_reviewed_as_the_service_reviews_it(client: Client, exemplary: Any) -> None:
    answer = send(client, file(json.dumps(exemplary).encode()), ("format", "", b"application/json"))
    assert answer.body == client.review(exemplary, headers={"Accept": "text/html"}).body


def test_a_file_is_known_by_its_content(client: Client, exemplary: Any) -> None:
    bundle = fhir_writer.encoded(episode_json.from_value(exemplary).episode)
    for content, media_type in ((bundle, "application/fhir+json"), (nemsis.document(), "application/xml")):
        answer = send(client, file(content), ("format", "", b""))
        headers = {"Content-Type": media_type, "Accept": "text/html"}
        assert answer.body == client.call("POST", "/v1/reviews", content, headers).body


def test_a_large_file_is_not_written_to_disk(client: Client, exemplary: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    def no_file(*_: object, **__: object) -> None:
        raise AssertionError("a temporary file was opened")

    monkeypatch.setattr("werkzeug.formparser.SpooledTemporaryFile", no_file)
    monkeypatch.setattr("tempfile.TemporaryFile", no_file)
    assert send(client, file(json.dumps(exemplary).encode() + b" " * 200_000)).status == 200


@pytest.mark.parametrize(
    ("parts", "status"),
    [
        ([], 400),
        ([("demo", "", CANARY.encode())], 400),
        ([("demo", "", b"../exemplary")], 400),
        ([file(b"{"), ("format", "", b"image/png")], 400),
        ([file(b"{" + CANARY.encode())], 400),
        ([file(b"{}")], 422),
        ([file(b'{"episode_ref": "a", "patient": {"age": "' + CANARY.encode() + b'"}}')], 422),
        ([file(b'{"episode_ref": "a"}'), ("profile", "", CANARY.encode())], 400),
        ([(f"f{n}", "", b"1") for n in range(50)], 400),
    ],
)
def test_what_is_wrong_is_shown_and_nothing_is_repeated(
    client: Client, parts: list[tuple[str, str, bytes]], status: int
) -> None:
    answer = send(client, *parts)
    assert answer.status == status
    assert b"This could not be reviewed" in answer.body
    assert CANARY.encode() not in answer.body


@pytest.mark.parametrize(
    "body", [b"", b"--xx", b"\xff" * 100, b'--xx\r\nContent-Disposition: form-data; name="demo"\r\n']
)
def test_a_broken_form_is_400(client: Client, body: bytes) -> None:
    headers = {"Content-Type": "multipart/form-data; boundary=xx"}
    assert client.call("POST", ACTION, body, headers).status == 400
    assert client.call("POST", ACTION, body, {"Content-Type": "multipart/form-data"}).status == 400
    assert client.call("POST", ACTION, body, {"Content-Type": "application/json"}).status == 415


HTML = {"Accept": "text/html"}


def test_a_part_of_the_page_alone(client: Client) -> None:
    document = many_dangers()
    whole = client.review(document, headers=HTML)
    fragment = client.review(document, "part=tell-now", HTML)
    assert fragment.headers["Content-Type"] == "text/html; charset=utf-8"
    assert fragment.body.lstrip().startswith(b'<div class="restraint-review">')
    assert b"SpO2 70 % at 18:36" in fragment.body
    assert b"<html" not in fragment.body
    picture = client.review(document, "part=picture", HTML)
    assert picture.headers["Content-Type"] == "image/svg+xml"
    assert picture.body.startswith(b"<svg ")
    assert all(len(each.body) < len(whole.body) for each in (fragment, picture))
    assert fragment.headers["Cache-Control"] == picture.headers["Cache-Control"] == "no-store"


def test_the_page_with_its_appendix_and_for_its_author(client: Client, exemplary: Any) -> None:
    plain = client.review(exemplary, headers=HTML).body
    assert b"RR-1101" not in plain
    assert b"RR-1101" in client.review(exemplary, "appendix=true", HTML).body
    document = many_dangers()
    assert client.review(document, "for=reviewer", HTML).body == client.review(document, headers=HTML).body
    first = client.review(document, "for=author", HTML).body
    assert first.index(b'id="rr-author"') < first.index(b'id="rr-reviewer"')


@pytest.mark.parametrize("query", ["part=all", "part=", "for=nurse", "appendix=yes", "part=picture&part=picture"])
def test_what_a_page_cannot_be_is_refused(client: Client, exemplary: Any, query: str) -> None:
    answer = client.review(exemplary, query, HTML)
    assert answer.status == 400
    assert answer.json["errors"][0]["parameter"] == query.partition("=")[0]


@pytest.mark.parametrize("accept", ["application/json", "application/fhir+json", "application/xml"])
def test_only_a_page_has_parts(client: Client, exemplary: Any, accept: str) -> None:
    answer = client.review(exemplary, "part=findings", {"Accept": accept})
    assert (answer.status, answer.json["errors"][0]["code"] if "errors" in answer.json else "") in (
        (400, "needs-html"),
        (400, ""),
    )


def test_who_may_frame_a_page_and_where_its_places_lead() -> None:
    settings = Settings(
        frame_ancestors=("https://host.example", "https://other.example"),
        link_template="https://host.example/{episode_ref}#{pointer}",
        base_url="https://review.example",
    )
    client = create_app(settings, pipeline()).test_client()
    headers = {"Content-Type": "application/json", "Accept": "text/html"}
    answer = client.post("/v1/reviews", data=json.dumps(many_dangers()), headers=headers)
    assert answer.headers["Content-Security-Policy"].endswith(
        "; frame-ancestors https://host.example https://other.example"
    )
    page = answer.get_data(as_text=True)
    assert 'href="https://host.example/demo-exemplary#%2Fmonitoring%2Fvitals%2F3%2Fspo2"' in page
    assert 'href="https://review.example/v1/rules/RR-1360"' in page


def test_nobody_frames_a_page_unless_the_settings_say_so(client: Client, exemplary: Any) -> None:
    assert (
        client.review(exemplary, headers=HTML).headers["Content-Security-Policy"].endswith("; frame-ancestors 'none'")
    )
