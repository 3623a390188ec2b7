"""What each address gives: bodies, headers, caching, methods."""

from __future__ import annotations

import dataclasses
import html
import json
from typing import Any

import pytest

from service.api.answers import REVIEWS
from service.app import Application, create_app
from service.pipeline import Pipeline
from service.problems import PROBLEMS, problem_document
from service.resources import demo_directory, openapi_path
from service.settings import Settings, SettingsError
from tests.contract.checked import Client, Contract
from tests.support.pages import tree
from tests.support.reviews import instances

_FIXED = [
    "/v1/rules", "/v1/profiles", "/v1/profiles/default", "/v1/facts", "/openapi.yaml", "/openapi-json.yaml", "/episode.schema.json",
    "/problems/not-json",
]  # fmt: skip
_ALL = [*_FIXED, "/health/live", "/health/ready"]


@pytest.mark.parametrize("path", _ALL)
def test_get_and_head(client: Client, path: str) -> None:
    got = client.get(path)
    head = client.call("HEAD", path)
    assert got.status == head.status == 200
    assert got.body
    assert head.headers == got.headers


@pytest.mark.parametrize("path", [*_ALL, "/v1/reviews"])
def test_options_and_other_methods(client: Client, path: str) -> None:
    options = client.call("OPTIONS", path)  # that Allow is what the contract has is checked with the call
    refused = client.call("DELETE", path)
    assert (options.status, refused.status) == (204, 405)
    assert set(refused.headers["Allow"].split(", ")) == set(options.headers["Allow"].split(", "))


@pytest.mark.parametrize("path", _FIXED)
def test_what_does_not_change_can_be_held(client: Client, path: str) -> None:
    tag = client.get(path).headers["ETag"]
    for held in (tag, f"W/{tag}", f'"other", {tag}', "*"):
        assert client.get(path, {"If-None-Match": held}).status == 304, held
    assert client.get(path, {"If-None-Match": '"other"'}).status == 200


def test_every_rule_by_id_and_by_name(client: Client) -> None:
    rules = client.get("/v1/rules").json["rules"]
    assert rules
    for rule in rules:
        by_id, by_name = client.get(f"/v1/rules/{rule['id']}"), client.get(f"/v1/rules/{rule['name']}")
        assert by_id.body == by_name.body
        assert by_id.json["id"] == rule["id"]


def test_every_profile(client: Client) -> None:
    profiles = client.get("/v1/profiles").json["profiles"]
    assert "default" in [each["id"] for each in profiles]
    for profile in profiles:
        assert client.get(f"/v1/profiles/{profile['id']}").json["id"] == profile["id"]


def test_a_rule_that_moved_is_found(pipeline: Pipeline, contract: Contract) -> None:
    target = pipeline.rulebook.rules[0].id

    class Moved:
        rulebook = dataclasses.replace(pipeline.rulebook, redirects={"RR-0000": target})
        served = ("default",)

        def self_test(self) -> list[str]:
            return []

    client = Client(create_app(Settings(), Moved()), contract)  # type: ignore[arg-type]
    answer = client.get("/v1/rules/RR-0000")
    assert (answer.status, answer.headers["Location"]) == (308, f"/v1/rules/{target}")


def test_the_contract_is_the_file(client: Client) -> None:
    assert client.get("/openapi.yaml").body == openapi_path().read_bytes()


def test_a_review_repeats_byte_for_byte(client: Client, exemplary: Any) -> None:
    first = client.review(exemplary)
    assert first.status == 200
    turned = dict(reversed(exemplary.items()))
    assert client.review(exemplary).body == first.body == client.review(turned).body
    assert first.json["episode_ref"] == exemplary["episode_ref"]


def test_explain_and_profile_are_taken(client: Client, exemplary: Any) -> None:
    plain = client.review(exemplary)
    assert client.review(exemplary, "explain=false&profile=default").body == plain.body
    assert client.review(exemplary, "explain=true").status == 200


@pytest.mark.parametrize(
    ("accept", "status"),
    [
        ("", 200),
        ("*/*", 200),
        ("application/*", 200),
        ("application/json", 200),
        ("APPLICATION/JSON", 200),
        ("application/json; charset=utf-8", 200),
        ("text/html, application/json;q=0.1", 200),
        ("text/html, */*;q=0.001", 200),
        ("text/html", 406),
        ("application/json;q=0", 406),
        ("*/*, application/json;q=0", 406),  # the most specific range decides: RFC 9110, section 12.5.1
        ("application/*;q=0, */*", 406),
        ("application/json;q=nonsense", 406),
        ("nonsense", 406),
    ],
)
def test_accept(client: Client, accept: str, status: int) -> None:
    headers = {"Accept": accept} if accept else {}
    assert client.get("/v1/profiles", headers).status == status


@pytest.mark.parametrize(
    ("accept", "content_type"),
    [
        ("", "application/json"),
        ("*/*", "application/json"),
        ("text/*", "text/html; charset=utf-8"),
        ("text/html, application/json;q=0.1", "text/html; charset=utf-8"),
        ("text/html;q=0.1, */*", "application/json"),
        ("text/html, */*;q=0.5", "text/html; charset=utf-8"),
    ],
)
def test_a_review_and_the_rulebook_come_as_they_are_asked_for(client: Client, accept: str, content_type: str) -> None:
    headers = {"Accept": accept} if accept else {}
    review, rules = client.review({"episode_ref": "a"}, headers=headers), client.get("/v1/rules", headers)
    assert review.status == rules.status == 200
    assert review.headers["Content-Type"] == rules.headers["Content-Type"] == content_type
    for answer in (review, rules):
        is_page = content_type.startswith("text/html")
        # Not by the contract alone: a page without its policy would be shown all the same.
        assert answer.headers.get("Content-Security-Policy", "").startswith("default-src 'none'" if is_page else "")
        assert ("Content-Security-Policy" in answer.headers) == is_page
    assert rules.headers["Vary"] == "Accept"


def test_no_representation_that_is_asked_for_is_406(client: Client) -> None:
    answer = client.review({"episode_ref": "a"}, headers={"Accept": "image/png"})
    assert answer.status == 406
    assert all(media_type in answer.json["errors"][0]["detail"] for media_type in REVIEWS)


@pytest.mark.parametrize(("version", "status"), [("4.0", 200), ("4.3", 200), ("5.0", 406)])
def test_another_fhir_is_not_answered_as_r4(client: Client, version: str, status: int) -> None:
    """A client that can read R5 alone would misread R4."""
    headers = {"Accept": f"application/fhir+json; fhirVersion={version}"}
    assert client.review({"episode_ref": "a"}, headers=headers).status == status


def test_problems_come_as_problems_whatever_is_asked_for(client: Client) -> None:
    answer = client.get("/nowhere", {"Accept": "text/html"})
    assert answer.headers["Content-Type"] == "application/problem+json"


def test_rules_that_are_asked_for(client: Client) -> None:
    every = client.get("/v1/rules").json["rules"]
    for query, kept in (
        ("severity=critical&handled_by=author", lambda r: (r["severity"], r["handled_by"]) == ("critical", "author")),
        ("phase=sedation&concern=&severity=&handled_by=&profile=", lambda r: r["phase"] == "sedation"),
        ("phase=&severity=", lambda r: True),
    ):
        assert client.get("/v1/rules", query=query).json["rules"] == [rule for rule in every if kept(rule)]
    assert 0 < len(client.get("/v1/rules", query="profile=rhode-island").json["rules"]) < len(every)
    for query in ("severity=canary", "profile=canary", "canary=1", "severity=info&severity=info"):
        answer = client.get("/v1/rules", query=query)
        assert answer.status == 400
        assert b"canary" not in answer.body
    page = client.get("/v1/rules/RR-1307", HTML)
    assert tree(page.body).by_tag("h1")[0].text() == client.get("/v1/rules/RR-1307").json["title"]
    assert len(client.get("/v1/rules", HTML, "severity=critical").body) < len(client.get("/v1/rules", HTML).body) / 2


def test_one_section_of_the_formats(client: Client) -> None:
    members = client.get("/v1/formats").json["members"]
    found = client.get("/v1/formats", query="section=monitoring").json["members"]
    assert found == [each for each in members if each["path"].startswith("/monitoring/")]
    page = tree(client.get("/v1/formats", HTML, "section=monitoring").body)
    assert [row.by_tag("code")[0].text() for row in page.by_tag("tr")[1:]] == [each["path"] for each in found]
    links = [a.attributes["href"] for a in tree(client.get("/v1/formats", HTML).body).by_tag("a")]
    queries = [link.partition("?")[2] for link in links if "?section=" in link]
    seen = [each for query in queries for each in client.get("/v1/formats", query=query).json["members"]]
    # A section comes back to itself where members of others stand between its own.
    assert sorted(each["path"] for each in seen) == sorted(each["path"] for each in members)
    assert client.get("/v1/formats", query="section=canary").status == 400


HTML = {"Accept": "text/html"}
#: What a browser asks for when somebody follows a link or sends a form.
BROWSER = "text/html,application/xhtml+xml,application/xml;q=0.9,*/*;q=0.8"


@pytest.mark.parametrize(
    ("method", "path", "body", "status"),
    [
        ("GET", "/nowhere", None, 404),
        ("GET", "/v1/rules/RR-0000", None, 404),
        ("GET", "/try", None, 405),
        ("POST", "/v1/reviews", b'{"episode_ref": 5, "<canary>": 1}', 422),
        ("POST", "/v1/reviews", b"{", 400),
    ],
)
def test_a_browser_is_refused_with_a_page(
    app: Application, method: str, path: str, body: bytes | None, status: int
) -> None:
    answer = app.test_client().open(
        path, method=method, data=body, headers={"Accept": BROWSER, "Content-Type": "application/json"}
    )
    assert (answer.status_code, answer.content_type) == (status, "text/html; charset=utf-8")
    assert answer.headers["Cache-Control"] == "no-store"
    assert "frame-ancestors 'none'" in answer.headers["Content-Security-Policy"]
    if status == 405:
        assert answer.headers["Allow"] == "OPTIONS, POST"
    root = tree(answer.data)
    (heading,) = root.by_tag("h1")
    assert "autofocus" in heading.attributes
    assert f"Status {status}" in root.text()
    assert "canary" not in answer.get_data(as_text=True)
    if status == 422:
        assert "/episode_ref" in root.text()


def test_an_unknown_default_profile_is_refused(pipeline: Pipeline) -> None:
    with pytest.raises(SettingsError):
        create_app(Settings(default_profile="nobody"), pipeline)


def test_flask_keeps_silent(app: Application) -> None:
    assert app.logger.disabled


@pytest.mark.parametrize("code", PROBLEMS)
def test_every_problem_says_what_it_means_and_what_to_do(client: Client, code: str) -> None:
    guide = client.get(f"/problems/{code}").json
    assert guide["code"] == code and guide["type"] == problem_document(code)["type"] == f"/problems/{code}"
    assert guide["status"] == PROBLEMS[code].status
    page = html.unescape(client.get(f"/problems/{code}", {"Accept": "text/html"}).body.decode())
    for name in ("title", "detail", "means", "to_do"):
        assert guide[name] and guide[name] in page, name
    # Nothing is sent again that cannot succeed; whoever may, is told when.
    retried = {429, 503, 408, 500}
    assert (guide["send_again"] != "never") == (guide["status"] in retried or code == "incomplete-body")
    assert ("Do not send" in page) == (guide["send_again"] == "never")


def test_a_problem_that_there_is_not_is_404(client: Client) -> None:
    assert client.get("/problems/nothing").status == 404


def test_a_review_holds_what_is_asked_for(client: Client) -> None:
    faulty = json.loads((demo_directory() / "lean-sender.json").read_bytes())
    plain, full, told, explained = (
        client.review(faulty, query).json for query in ("", "detail=full", "accounts=true", "explain=true")
    )
    assert "accounts" not in plain and not any("why" in finding for finding in plain["findings"])
    assert all(finding["why"] and finding["sources"][0]["title"] for finding in full["findings"])
    assert len(told["accounts"]) == plain["summary"]["rules"]
    assert all("explanation" not in each for each in told["accounts"])
    assert any(each["explanation"] for each in explained["accounts"])
    for other in (full, told, explained):
        assert other["summary"] == plain["summary"] and other["tell_now"] == plain["tell_now"]


def test_a_running_call_is_reviewed_as_one(client: Client) -> None:
    running = client.review({"episode_ref": "a"}, "stage=open").json
    assert (running["stage"], running["patient"]["state"]) == ("open", "with_crew")
    assert any("do not poll" in caution for caution in running["cautions"])
    over = client.review({"episode_ref": "a", "chart": {"closed": "2031-04-12T19:30:00-06:00"}}, "stage=open").json
    assert over["stage"] == "closing"
    assert "call-is-over" in [notice["code"] for notice in over["notices"]]


def test_an_acceptance_comes_back_with_who_and_when(client: Client) -> None:
    episode = json.loads((demo_directory() / "lean-sender.json").read_bytes())
    first = next(one for one in instances(client.review(episode).json) if one["acceptable"])
    said = {"reason": "Charted elsewhere.", "by": "qa-7", "at": "2031-04-13T09:00:00-06:00"}
    episode["accepted"] = [{"fingerprint": first["fingerprint"], **said}]
    (accepted,) = instances(client.review(episode).json, "accepted")
    assert {name: accepted[name] for name in said} == said
