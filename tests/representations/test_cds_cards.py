"""CDS Hooks: what comes in and goes out has the published shape, no chart is judged by half, and no token passes unchecked.

The schemas below follow CDS Hooks 2.0 (https://cds-hooks.hl7.org/2.0/: Discovery, Calling a CDS Service, CDS Service
Response, Feedback), as a summary of it tells names, required members, length and indicators; the pattern
of an address and the inside of a topic are from memory. Members of later versions are not in them.
"""

from __future__ import annotations

import dataclasses
import json
import uuid
from collections.abc import Callable
from typing import Any

import jsonschema
import jwt
import pytest
from cryptography.hazmat.primitives.asymmetric import ec

from service.access.cds_tokens import client_of
from service.formats.cds_hooks.feedback import read_feedback
from service.formats.cds_hooks.request import CHART_CLOSE, DISCHARGE, PREFETCH, HookRequest, read_request
from service.formats.fhir import write as fhir_writer
from service.formats.fhir.profile import EPISODE, system, url
from service.problems import Rejected
from service.representations import cds_cards
from service.review.build import Review, Wanted
from tests.support.episodes import dangers_and_a_duty_unjudged, encoded
from tests.support.fhir import restraint, shared, walk
from tests.support.pipeline import demo, demo_names, pipeline
from tests.support.reviews import instances

FULL = Wanted(accounts=True, full=True)
CANARY = "zq7canary"
INSTANCE = "d1577c69-dfbe-44ad-ba6d-3e05e953b2ea"
CARD = "4e0a3a1e-3283-4575-ab82-028d55fe2719"

Document = dict[str, Any]


def an_object(required: str, **members: Any) -> Document:
    """A closed object; members not named in ``required`` may be left out."""
    return {"type": "object", "required": required.split(), "properties": members, "additionalProperties": False}


TEXT = {"type": "string", "minLength": 1}
UUID = {"type": "string", "pattern": "^[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}$"}
ADDRESS = {"type": "string", "pattern": "^https?://"}
#: display is required of the reasons (2.0, "Override Reason"), code and system of the topic's Coding are strings.
REASON = an_object("display", code=TEXT, system=TEXT, display=TEXT)
DISCOVERY = an_object(
    "services",
    services={
        "type": "array",
        "items": an_object(
            "hook description id",
            hook=TEXT,
            id=TEXT,
            title=TEXT,
            description=TEXT,
            prefetch={"type": "object", "additionalProperties": TEXT},
            usageRequirements=TEXT,
        ),
    },
)
RESPONSE = an_object(
    "cards",
    cards={
        "type": "array",
        "items": an_object(
            "summary indicator source",
            uuid=UUID,
            summary={"type": "string", "minLength": 1, "maxLength": 139},
            detail=TEXT,
            indicator={"enum": ["info", "warning", "critical"]},
            source=an_object("label", label=TEXT, url=ADDRESS, icon=ADDRESS, topic=REASON),
            overrideReasons={"type": "array", "items": REASON},
            links={
                "type": "array",
                "items": an_object("label url type", label=TEXT, url=ADDRESS, type={"enum": ["absolute", "smart"]}),
            },
        ),
    },
)


def valid(value: Any, schema: Document) -> None:
    jsonschema.Draft202012Validator(schema).validate(value)


def request(hook: str = CHART_CLOSE, context: Document | None = None, **more: Any) -> bytes:
    return json.dumps({"hook": hook, "hookInstance": INSTANCE, "context": context or {}, **more}).encode()


def of_episode(document: Document) -> HookRequest:
    return read_request(request(context={"episode": document}))


def reviewed(asked: HookRequest) -> Review:
    return pipeline().review(asked.body, asked.media_type, "default", FULL)


def cards(document: Document, base_url: str | None = None) -> list[Document]:
    asked = of_episode(document)
    answer = json.loads(cds_cards.render(reviewed(asked), asked, base_url))
    valid(answer, RESPONSE)
    return list(answer["cards"])


def refused(body: bytes, read: Callable[[bytes], Any] = read_request) -> tuple[int, str, dict[str | None, str]]:
    with pytest.raises(Rejected) as caught:
        read(body)
    for item in caught.value.errors:
        assert CANARY not in item.detail + str(item.pointer)
    return caught.value.status, caught.value.code, {e.pointer: e.code for e in caught.value.errors}


CONTEXT = {"userId": "Practitioner/9", "patientId": "p1", "encounterId": "e1"}


def searchset(*resources: Document) -> Document:
    return {
        "resourceType": "Bundle",
        "type": "searchset",
        "entry": [
            {"fullUrl": f"https://example.org/fhir/{r['resourceType']}/{r['id']}", "resource": r} for r in resources
        ],
    }


def small() -> Document:
    """A prefetch of one restraint, everything needed answered."""
    who = {"subject": {"reference": "Patient/p1"}, "encounter": {"reference": "Encounter/e1"}}
    return {
        "patient": {"resourceType": "Patient", "id": "p1"},
        "encounter": {"resourceType": "Encounter", "id": "e1", "status": "finished"},
        "procedures": searchset(restraint(**who)),
        "medications": None,
        "observations": None,
    }


def spread() -> Document:
    """The shared chart as a client would prefetch it."""
    by_type: dict[str, list[Document]] = {}
    for entry in json.loads(shared("fhir/fhir-restrained.json"))["entry"]:
        by_type.setdefault(entry["resource"]["resourceType"], []).append(entry["resource"])
    return {
        "patient": by_type["Patient"][0],
        "encounter": by_type["Encounter"][0],
        "procedures": searchset(*by_type["Procedure"], *by_type["Practitioner"]),
        "medications": searchset(*by_type["MedicationAdministration"]),
        "observations": searchset(*by_type["Observation"]),
        "devices": searchset(*by_type["Device"]),
    }


# ---------------------------------------------------------------- discovery


def test_discovery_has_the_published_shape() -> None:
    document = json.loads(cds_cards.discovery())
    valid(document, DISCOVERY)
    assert [(s["hook"], s["id"]) for s in document["services"]] == [
        ("encounter-discharge", "restraint-review"),
        ("example.restraint-review.chart-close", "restraint-review"),
    ]
    for service in document["services"]:
        assert service["prefetch"] == PREFETCH
        # Only what the context of encounter-discharge has may stand in a template.
        for query in service["prefetch"].values():
            assert query.partition("{{")[2].partition("}}")[0] in ("context.patientId", "context.encounterId")
    assert cds_cards.discovery() == cds_cards.discovery()


def test_the_schemas_refuse_what_is_wrong() -> None:
    card = {"summary": "s", "indicator": "info", "source": {"label": "l"}}
    valid({"cards": [card]}, RESPONSE)
    for spoiled in (
        card | {"summary": "s" * 140},
        card | {"indicator": "hard-stop"},
        card | {"source": {}},
        card | {"suggestions": []},
        {"summary": "s", "indicator": "info"},
    ):
        with pytest.raises(jsonschema.ValidationError):
            valid({"cards": [spoiled]}, RESPONSE)


# ---------------------------------------------------------------- cards


@pytest.mark.parametrize("name", demo_names())
def test_every_finding_is_on_exactly_one_card(name: str) -> None:
    found = cards(demo(name))
    document = reviewed(of_episode(demo(name))).document
    assert len({card["uuid"] for card in found}) == len(found)
    told = "\n".join(card["detail"] for card in found)
    for finding in document["findings"]:
        if finding["severity"] == "info":
            assert plain(f"{finding['title']} [{finding['rule']['id']}]") in found[-1]["detail"]
            continue
        holding = [
            card for card in found[:-1] if plain(finding["message"]) in card["detail"] and finding_on(finding, card)
        ]
        assert len(holding) == 1, finding["rule"]["id"]
        assert plain(finding["remediation"]) in holding[0]["detail"]
        assert severity(holding[0]) <= severity({"indicator": finding["severity"]})
        if "tell_now" in finding:
            assert f"**{plain(finding['tell_now'])}**" in holding[0]["detail"]
        for one in finding["instances"]:
            assert finding["severity"] != "critical" or plain(one["message"]) in holding[0]["detail"]
            for place in one["pointers"]:
                assert f"`/context/episode{place['pointer']}`" in holding[0]["detail"]
    assert all(plain(rule["rule"]) in told for rule in document["accounts"])


def severity(card: Document) -> int:
    return ["critical", "warning", "info"].index(card["indicator"])


def finding_on(finding: Document, card: Document) -> bool:
    """By title and the places of all its instances."""
    pointed = [place for one in finding["instances"] for place in one["pointers"]]
    places = ", ".join(dict.fromkeys(f"{plain(p['label'])} `/context/episode{p['pointer']}`" for p in pointed))
    head = card["summary"] == finding["title"] or plain(f"{finding['title']}.") in card["detail"]
    return head and any(
        f"At: {places}." in line and (plain(finding["message"]) in line or line.startswith("At: "))
        for line in card["detail"].split("\n")
    )


def plain(text: str) -> str:
    return "".join(f"\\{c}" if c in "\\`*_[]<>#|~" else c for c in text)


def test_a_cascade_is_one_card_under_its_worst() -> None:
    document = reviewed(of_episode(demo("everything-wrong"))).document
    found = cards(demo("everything-wrong"))
    alone = [
        f
        for f in document["findings"]
        if f["severity"] == "critical" or (f["severity"] == "warning" and f["category"] != "completeness")
    ]
    assert len(found) < len(alone)
    folded = [card for card in found if "Belongs to the same course of events:" in card["detail"]]
    assert folded
    for card in folded:
        rest = card["detail"].partition("Belongs to the same course of events:")[2]
        if "\n- critical: " in rest:
            assert card["indicator"] == "critical"


@pytest.mark.parametrize("name", demo_names())
def test_the_last_card_accounts_for_every_rule_and_says_the_cautions(name: str) -> None:
    last = cards(demo(name))[-1]
    document = reviewed(of_episode(demo(name))).document
    _, _, by_outcome = last["detail"].partition("Rules by outcome:\n\n")
    lines = dict(line[2:].split(": ", 1) for line in by_outcome.split("\n") if line.startswith("- "))
    said = {rule: outcome for outcome, ids in lines.items() if "RR-" in ids for rule in ids.split(", ")}
    names = {"finding": "finding", "not_applicable": "not applicable", "not_assessable": "not assessable"}
    assert said == {a["rule"]: names.get(a["outcome"], a["outcome"]) for a in document["accounts"]}
    for caution in document["cautions"]:
        assert caution in last["detail"]
    assert "overrideReasons" not in last


def test_nothing_found_is_no_silence() -> None:
    (only,) = cards(demo("exemplary"))
    assert only["indicator"] == "info"
    said = reviewed(of_episode(demo("exemplary"))).document["patient"]["text"]
    assert only["detail"].startswith(f"{plain(said)}\n\nNo findings. ")


def test_a_rule_not_decided_is_a_critical_card() -> None:
    asked = of_episode(demo("exemplary"))
    review = reviewed(asked)
    notice = {
        "code": "deciders-disagree",
        "severity": "critical",
        "text": "Engine and evaluator disagree.",
        "pointers": ["/narrative"],
    }
    switch = {"rule": "RR-1045", "reason": "No harness aboard.", "owner": "Director", "ends": "2031-12-31"}
    more = {"notices": [notice], "summary": review.document["summary"] | {"error": 1}, "off": [switch]}
    answer = json.loads(cds_cards.render(dataclasses.replace(review, document=review.document | more), asked))
    valid(answer, RESPONSE)
    assert answer["cards"][-1]["indicator"] == "critical"
    assert "1 not decided" in answer["cards"][-1]["summary"]
    assert "critical: Engine and evaluator disagree. At: /context/episode/narrative." in answer["cards"][-1]["detail"]
    assert "RR-1045, until 2031-12-31, by Director: No harness aboard." in answer["cards"][-1]["detail"]


def test_accepted_findings_are_named_and_the_reason_is_not() -> None:
    document = demo("night-two-crew-late-sedation")
    chosen = next(one for one in instances(reviewed(of_episode(document)).document) if one["acceptable"])
    document["accepted"] = [{"fingerprint": chosen["fingerprint"], "reason": CANARY}]
    found = cards(document)
    assert (
        plain(f"{chosen['title']} [{chosen['rule']['id']}]")
        in found[-1]["detail"].partition("Accepted by the sender")[2]
    )
    assert CANARY not in json.dumps(found)


@pytest.mark.parametrize("name", demo_names())
def test_no_answer_to_a_card_invites_to_change_a_charted_danger(name: str) -> None:
    document = reviewed(of_episode(demo(name))).document
    category = {f["title"]: f["category"] for f in document["findings"]}
    for card in cards(demo(name))[:-1]:
        codes = {reason["code"] for reason in card["overrideReasons"]}
        assert {reason["system"] for reason in card["overrideReasons"]} == {system("override-reason")}
        if category.get(card["summary"], "completeness") != "completeness":
            assert "late-entry" not in codes
        assert "suggestions" not in card


def test_links_only_with_an_address() -> None:
    with_links = cards(demo("night-two-crew-late-sedation"), "https://review.example/")
    assert with_links[0]["links"][0]["url"].startswith("https://review.example/v1/rules/RR-")
    assert all("links" not in card and "url" not in card["source"] for card in cards(demo("everything-wrong")))


@pytest.mark.parametrize("name", demo_names())
def test_uuids_are_of_input_and_finding_and_bytes_are_the_same(name: str) -> None:
    one, two = of_episode(demo(name)), of_episode(demo(name))
    assert cds_cards.render(reviewed(one), one) == cds_cards.render(reviewed(two), two)
    changed = demo(name) | {"episode_ref": "another"}
    assert {uuid.UUID(c["uuid"]).version for c in cards(demo(name))} == {5}
    assert not {c["uuid"] for c in cards(demo(name))} & {c["uuid"] for c in cards(changed)}


def test_what_stays_unjudged_is_on_a_card_of_its_own_where_it_is_critical_else_on_the_last_one() -> None:
    record = dangers_and_a_duty_unjudged()
    document = reviewed(of_episode(record)).document
    found = cards(record)
    told = [entry for entry in document["unjudged"] if "tell_now" in entry]
    critical = [card for card in found if card["indicator"] == "critical"]
    assert len(critical) == len(told) == 2 < len(document["unjudged"])
    for entry, card in zip(told, critical, strict=True):
        assert f"**{plain(entry['tell_now'])}**" in card["detail"]
        assert plain(entry["message"]) in card["detail"]
        for one in entry["instances"]:
            for place in one["pointers"]:
                assert f"`/context/episode{place['pointer']}`" in card["detail"]
        assert "late-entry" not in {reason["code"] for reason in card["overrideReasons"]}
    for entry in document["unjudged"]:
        line = plain(f"{entry['severity']}: {entry['message']} [{entry['rule']['id']}]")
        assert (line in found[-1]["detail"]) == ("tell_now" not in entry), (
            "each once: a card of its own, or the last one"
        )


def test_a_notice_leads_to_its_place_in_the_request() -> None:
    document = demo("exemplary")
    del document["monitoring"]["vitals"][5]["id"]
    document["monitoring"]["vitals"][5]["spo2"] = 93
    document["not_collected"] = ["/monitoring/actions"]
    review = reviewed(of_episode(document))
    places = [place for notice in review.document["notices"] for place in notice["pointers"] if place]
    assert places
    detail = cards(document)[-1]["detail"]
    for place in places:
        assert plain(f"/context/episode{place}") in detail


def test_titles_of_the_rulebook_fit_a_summary() -> None:
    assert max(len(rule.title) for rule in pipeline().rulebook.rules) < 140


def test_the_same_review_as_without_the_hook() -> None:
    for name in demo_names():
        direct = pipeline().review(encoded(demo(name)), "application/json", "default", FULL)
        assert reviewed(of_episode(demo(name))).document == direct.document


# ---------------------------------------------------------------- requests


def test_a_prefetched_chart_gives_the_findings_of_the_whole_bundle() -> None:
    body = shared("fhir/fhir-restrained.json")
    whole = pipeline().review(body, "application/fhir+json", "default", FULL)
    asked = read_request(request(DISCHARGE, CONTEXT, prefetch=spread()))
    found = reviewed(asked)
    assert found.outcomes == whole.outcomes
    one, other = ([i["message"] for i in instances(review.document)] for review in (found, whole))
    assert sorted(one) == sorted(other)
    assert asked.not_sent == ("conditions", "allergies", "communications", "compositions")
    last = json.loads(cds_cards.render(found, asked))["cards"][-1]
    assert "- allergies: AllergyIntolerance" in last["detail"]


def test_places_of_a_prefetched_chart_resolve_in_the_request() -> None:
    sent = json.loads(request(DISCHARGE, CONTEXT, prefetch=spread()))
    asked = read_request(json.dumps(sent).encode())
    review = reviewed(asked)
    shown = instances(review.document) + instances(review.document, "unjudged")
    places = {p["fhirpath"] for one in shown for p in one["pointers"]}
    assert len(places) > 1
    for place in places:
        located = asked.location(place)
        assert located.startswith("prefetch")
        assert walk(sent, located), located
        if place != "Bundle":
            assert walk(json.loads(asked.body), place) == walk(sent, located)


def test_a_bundle_in_the_context() -> None:
    bundle = fhir_writer.bundle(reviewed(of_episode(demo("hold-only"))).intake.episode)
    asked = read_request(request(context={"bundle": bundle}))
    assert (asked.media_type, asked.home) == ("application/fhir+json", "/context/bundle")
    assert asked.location("Bundle.entry[1].resource.status") == "context.bundle.entry[1].resource.status"
    assert asked.pointer("/entry/1/resource") == "/context/bundle/entry/1/resource"
    answer = json.loads(cds_cards.render(reviewed(asked), asked))
    valid(answer, RESPONSE)


def test_the_order_of_members_and_a_resource_sent_twice_change_nothing() -> None:
    one = read_request(request(DISCHARGE, CONTEXT, prefetch=small()))
    turned = dict(reversed(small().items()))
    turned["communications"] = turned["procedures"]
    two = read_request(request(DISCHARGE, CONTEXT, prefetch=turned))
    assert one.body == two.body


@pytest.mark.parametrize("key", ["patient", "encounter", "procedures", "medications", "observations"])
def test_what_was_not_sent_is_never_called_not_charted(key: str) -> None:
    prefetch = small()
    read_request(request(DISCHARGE, CONTEXT, prefetch=prefetch))
    failed = prefetch | {key: {"resourceType": "OperationOutcome", "issue": []}}
    del prefetch[key]
    wanted = (412, "missing-prefetch", {f"/prefetch/{key}": "missing-prefetch"})
    assert refused(request(DISCHARGE, CONTEXT, prefetch=prefetch)) == wanted
    assert refused(request(DISCHARGE, CONTEXT, prefetch=failed)) == wanted


def test_no_prefetch_at_all() -> None:
    status, code, errors = refused(request(DISCHARGE, CONTEXT, fhirServer="http://127.0.0.1:1/", fhirAuthorization={}))
    assert (status, code) == (412, "missing-prefetch")
    assert len(errors) == 5


def test_a_page_of_many_is_not_the_chart() -> None:
    prefetch = small()
    prefetch["procedures"]["link"] = [{"relation": "self", "url": "x"}, {"relation": "next", "url": CANARY}]
    assert refused(request(DISCHARGE, CONTEXT, prefetch=prefetch)) == (
        412,
        "missing-prefetch",
        {"/prefetch/procedures": "incomplete-prefetch"},
    )


def test_a_device_that_was_not_sent() -> None:
    prefetch = spread()
    del prefetch["devices"]
    status, code, errors = refused(request(DISCHARGE, CONTEXT, prefetch=prefetch))
    assert (status, code, set(errors.values())) == (412, "missing-prefetch", {"reference-not-sent"})
    assert all(str(pointer).startswith("/prefetch/procedures/entry/") for pointer in errors)


def test_an_encounter_written_to_the_profile_is_asked_for_whole() -> None:
    prefetch = small()
    prefetch["encounter"]["extension"] = [{"url": url(EPISODE), "extension": []}]
    assert refused(request(DISCHARGE, CONTEXT, prefetch=prefetch)) == (
        412,
        "missing-prefetch",
        {"/prefetch/encounter": "profile-needs-bundle"},
    )


def test_another_chart_than_the_context_says() -> None:
    prefetch = small()
    prefetch["patient"]["id"] = CANARY
    prefetch["encounter"]["id"] = CANARY
    assert refused(request(DISCHARGE, CONTEXT, prefetch=prefetch)) == (
        422,
        "invalid-hook-request",
        {"/prefetch/patient/id": "another-chart", "/prefetch/encounter/id": "another-chart"},
    )


def test_whose_chart_it_is_comes_in_no_bundle() -> None:
    """Patient and Encounter are read by id; in a Bundle nobody could hold them against the context."""
    prefetch = small()
    for key in ("patient", "encounter"):
        prefetch[key] = {"resourceType": "Bundle", "type": "collection", "entry": [{"resource": prefetch[key]}]}
    assert refused(request(DISCHARGE, CONTEXT, prefetch=prefetch)) == (
        422,
        "invalid-hook-request",
        {"/prefetch/patient": "another-resource", "/prefetch/encounter": "another-resource"},
    )


@pytest.mark.parametrize("prefetch", [{}, None])
def test_an_empty_prefetch_beside_a_chart_in_the_context_is_none(prefetch: Document | None) -> None:
    """CDS Hooks 2.0 lets a client send an empty prefetch where it has nothing to send."""
    bundle = {"resourceType": "Bundle", "type": "collection", "entry": []}
    value = {"hook": CHART_CLOSE, "hookInstance": INSTANCE, "context": {"bundle": bundle}, "prefetch": prefetch}
    assert read_request(json.dumps(value).encode()).home == "/context/bundle"


@pytest.mark.parametrize(
    ("change", "errors"),
    [
        ({"hook": CANARY}, {"/hook": "unknown-hook"}),
        ({"hook": {}}, {"/hook": "unknown-hook"}),
        ({"hook": None}, {"/hook": "missing-member"}),
        ({"hookInstance": CANARY}, {"/hookInstance": "not-a-uuid"}),
        ({"hookInstance": 7}, {"/hookInstance": "not-a-uuid"}),
        ({"hookInstance": None}, {"/hookInstance": "missing-member"}),
        ({"context": CANARY}, {"/context": "not-an-object"}),
        ({"context": CONTEXT | {"userId": " "}}, {"/context/userId": "not-text"}),
        ({"context": {"userId": "u", "patientId": "p1"}}, {"/context/encounterId": "missing-member"}),
        ({"context": CONTEXT | {"patientId": ["p1"]}}, {"/context/patientId": "not-text"}),
        ({"prefetch": [CANARY]}, {"/prefetch": "not-an-object"}),
        ({"hook": CHART_CLOSE, "context": {"episode": {}, "bundle": {}}, "prefetch": None}, {"/context": "one-chart"}),
        ({"hook": CHART_CLOSE, "context": {"episode": {}}}, {"/context": "one-chart"}),
        ({"hook": CHART_CLOSE, "context": {"patientId": "p1"}}, {"/context/encounterId": "missing-member"}),
    ],
)
def test_bad_requests(change: Document, errors: Document) -> None:
    value = {"hook": DISCHARGE, "hookInstance": INSTANCE, "context": CONTEXT, "prefetch": small()}
    value = {name: each for name, each in (value | change).items() if each is not None}
    if errors.get("/context") == "not-an-object":
        errors = errors | {f"/context/{n}": "missing-member" for n in CONTEXT}
    assert refused(json.dumps(value).encode()) == (422, "invalid-hook-request", errors)


@pytest.mark.parametrize("wrong", [7, CANARY, [], {}, {"resourceType": 7}, True])
def test_a_prefetch_of_a_wrong_type(wrong: Any) -> None:
    for key in PREFETCH:
        assert refused(request(DISCHARGE, CONTEXT, prefetch=small() | {key: wrong})) == (
            422,
            "invalid-hook-request",
            {f"/prefetch/{key}": "not-a-resource"},
        )


@pytest.mark.parametrize("entry", [7, CANARY, None, {}, {"resource": 7}, {"resource": {"id": []}}, {"fullUrl": {}}])
def test_odd_entries_and_links_are_the_readers_to_judge(entry: Any) -> None:
    prefetch = small()
    prefetch["observations"] = {"resourceType": "Bundle", "entry": [entry], "link": entry}
    prefetch["communications"] = {"resourceType": "Bundle", "entry": [entry], "link": [entry]}
    prefetch["procedures"]["entry"].append({"resource": {"resourceType": "Procedure", "usedReference": entry}})
    asked = read_request(request(DISCHARGE, CONTEXT, prefetch=prefetch))
    valid(json.loads(cds_cards.render(reviewed(asked), asked)), RESPONSE)


@pytest.mark.parametrize(
    ("body", "code"),
    [
        (b"{", "not-json"),
        (b'{"hook":1,"hook":2}', "duplicate-member"),
        (b"\xff", "not-utf-8"),
        (b"NaN", "not-a-number"),
    ],
)
def test_what_is_no_json(body: bytes, code: str) -> None:
    for read in (read_request, read_feedback):
        assert refused(body, read)[:2] == (400, code)


@pytest.mark.parametrize("body", [b"[]", b"7", b'"x"', b"null", b"{}"])
def test_what_is_no_request(body: bytes) -> None:
    assert refused(body)[:2] == (422, "invalid-hook-request")
    assert refused(body, read_feedback)[:2] == (422, "invalid-feedback")


def test_what_the_pipeline_refuses_points_into_the_request() -> None:
    asked = of_episode({"episode_ref": "x", "patient": {"sex": CANARY}})
    with pytest.raises(Rejected) as caught:
        reviewed(asked)
    home = asked.rejected(caught.value)
    assert (home.status, home.code) == (422, "invalid-episode")
    assert [e.pointer for e in home.errors] == ["/context/episode/patient/sex"]
    prefetch = small()
    prefetch["procedures"] = None
    asked = read_request(request(DISCHARGE, CONTEXT, prefetch=prefetch))
    with pytest.raises(Rejected) as caught:
        reviewed(asked)
    home = asked.rejected(caught.value)
    assert (home.status, home.code, [e.pointer for e in home.errors]) == (422, "no-restraint", ["/prefetch"])
    asked = read_request(request(DISCHARGE, CONTEXT, prefetch=small()))
    assert asked.pointer("/entry/2/resource") == "/prefetch/procedures/entry/0/resource"
    many = Rejected(422, "invalid-episode", [dataclasses.replace(home.errors[0], pointer="") for _ in range(60)])
    assert asked.rejected(many).omitted == many.omitted == 10


# ---------------------------------------------------------------- feedback


def answer(**more: Any) -> Document:
    return {
        "card": CARD,
        "outcome": "overridden",
        "outcomeTimestamp": "2031-04-12T18:40:00Z",
    } | more


def feedback(*answers: Any) -> bytes:
    return json.dumps({"feedback": answers}).encode()


def test_feedback_is_counted_and_its_words_are_not_kept() -> None:
    ours = {"code": "charted-elsewhere", "system": system("override-reason"), "display": "x"}
    found = read_feedback(
        feedback(
            answer(overrideReason={"reason": ours, "userComment": CANARY}),
            answer(overrideReason={"reason": ours}),
            answer(overrideReason={"reason": ours | {"system": CANARY}}),
            answer(overrideReason={"reason": {"code": CANARY}}),
            answer(overrideReason={"userComment": CANARY}),
            answer(),
            answer(outcome="accepted", acceptedSuggestions=[{"id": CARD}]),
            answer(outcome="accepted", acceptedSuggestions=[]),
        )
    )
    assert (found.accepted, found.overridden) == (2, 6)
    assert found.reasons == {"charted-elsewhere": 2, "other": 2}
    assert CANARY not in repr(found)


@pytest.mark.parametrize(
    ("change", "pointer", "code"),
    [
        ({"card": CANARY}, "/card", "not-a-uuid"),
        ({"card": None}, "/card", "missing-member"),
        ({"outcome": CANARY}, "/outcome", "unknown-outcome"),
        ({"outcome": None}, "/outcome", "missing-member"),
        ({"outcomeTimestamp": "2031-04-12"}, "/outcomeTimestamp", "not-a-time"),
        ({"outcomeTimestamp": "2031-02-30T18:40:00Z"}, "/outcomeTimestamp", "not-a-time"),
        ({"outcomeTimestamp": 7}, "/outcomeTimestamp", "not-a-time"),
        ({"outcomeTimestamp": None}, "/outcomeTimestamp", "missing-member"),
        ({"outcome": "accepted"}, "/acceptedSuggestions", "missing-member"),
        ({"outcome": "accepted", "acceptedSuggestions": {}}, "/acceptedSuggestions", "not-a-list"),
        ({"acceptedSuggestions": [{"id": CANARY}]}, "/acceptedSuggestions/0/id", "not-a-uuid"),
        ({"acceptedSuggestions": [CANARY]}, "/acceptedSuggestions/0/id", "missing-member"),
        ({"overrideReason": CANARY}, "/overrideReason", "not-an-object"),
        ({"overrideReason": {"userComment": 7}}, "/overrideReason/userComment", "not-text"),
        ({"overrideReason": {"reason": CANARY}}, "/overrideReason/reason", "not-an-object"),
        ({"overrideReason": {"reason": {}}}, "/overrideReason/reason/code", "missing-member"),
    ],
)
def test_bad_feedback(change: Document, pointer: str, code: str) -> None:
    value = {name: each for name, each in answer(**change).items() if each is not None}
    assert refused(feedback(answer(), value), read_feedback) == (
        422,
        "invalid-feedback",
        {f"/feedback/1{pointer}": code},
    )


@pytest.mark.parametrize(
    ("member", "code"), [("overrideReason", "not-an-object"), ("acceptedSuggestions", "not-a-list")]
)
def test_null_is_no_answer(member: str, code: str) -> None:
    assert refused(feedback(answer() | {member: None}), read_feedback)[2] == {f"/feedback/0/{member}": code}


def test_feedback_without_answers() -> None:
    assert refused(feedback(), read_feedback)[2] == {"/feedback": "not-a-list"}
    assert refused(feedback(7), read_feedback)[2] == {"/feedback/0": "not-an-object"}


# ---------------------------------------------------------------- tokens

NOW = 1_900_000_000
AUDIENCE = "https://review.example/cds-services/restraint-review"
ISSUER = "https://client.example"
SECRET = ec.generate_private_key(ec.SECP384R1())
STRANGER = ec.generate_private_key(ec.SECP384R1())


def public(key: ec.EllipticCurvePrivateKey) -> jwt.PyJWK:
    found = jwt.algorithms.ECAlgorithm.to_jwk(key.public_key(), as_dict=True)
    return jwt.PyJWK(dict(found) | {"kid": "k1", "alg": "ES384"})


KEYS = {ISSUER: {"k1": public(SECRET)}, "https://other.example": {"k1": public(STRANGER)}}
CLAIMS = {"iss": ISSUER, "aud": AUDIENCE, "exp": NOW + 300, "iat": NOW, "jti": "1"}


def token(claims: Document | None = None, key: Any = SECRET, algorithm: str = "ES384", **header: Any) -> str:
    return jwt.encode(CLAIMS if claims is None else claims, key, algorithm, headers={"kid": "k1", **header})


def holds(text: str, now: int = NOW) -> str | None:
    return client_of(text, KEYS, AUDIENCE, now)


def test_a_good_token_names_its_issuer() -> None:
    assert holds(token()) == ISSUER
    assert holds(token(CLAIMS | {"aud": ["https://else.example", AUDIENCE]})) == ISSUER
    assert holds(token(), NOW + 329) == ISSUER
    assert holds(token(), NOW - 30) == ISSUER


@pytest.mark.parametrize("name", sorted(CLAIMS))
def test_a_token_without_a_claim(name: str) -> None:
    assert holds(token({key: value for key, value in CLAIMS.items() if key != name})) is None


@pytest.mark.parametrize(
    "claims",
    [
        {"aud": "https://else.example"},
        {"iss": "https://nobody.example"},
        {"iss": "https://other.example"},
        {"exp": NOW - 31},
        {"exp": "soon"},
        {"iat": NOW + 31},
        {"nbf": NOW + 31},
        {"jti": ""},
        {"iss": 7},
        {"iss": [ISSUER]},
    ],
)
def test_a_token_with_a_wrong_claim(claims: Document) -> None:
    made = jwt.PyJWS().encode(
        json.dumps(CLAIMS | claims).encode(), SECRET, "ES384", headers={"kid": "k1", "typ": "JWT"}
    )
    assert holds(made) is None


def test_tokens_that_are_not_what_they_say() -> None:
    assert holds(token(key=STRANGER)) is None
    assert holds(token(key="k" * 64, algorithm="HS384")) is None
    assert holds(token(key="", algorithm="none")) is None
    assert holds(token(kid="k2")) is None
    assert holds(token(typ="JOSE")) is None
    assert holds(token(), NOW + 331) is None
    head, body, signature = token().split(".")
    assert holds(f"{head}.{body}.") is None
    assert holds(f"{head}.{body}.{signature[:-4]}AAAA") is None
    for text in ("", "a", "a.b.c", "....", "\u0000", CANARY):
        assert holds(text) is None


def test_a_shared_secret_is_no_key() -> None:
    shared_key = jwt.PyJWK({"kty": "oct", "k": "a" * 86, "kid": "k1", "alg": "HS384"})
    made = token(key=shared_key.key, algorithm="HS384")
    assert client_of(made, {ISSUER: {"k1": shared_key}}, AUDIENCE, NOW) is None
