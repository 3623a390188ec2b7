"""Reviews and problems as OperationOutcome, held against an independent model library and the R4 value sets."""

from __future__ import annotations

import dataclasses
import json
from collections import Counter
from collections.abc import Iterator
from typing import Any

import pytest

from service.formats.fhir import write as fhir_writer
from service.formats.fhir.profile import system, url
from service.intake import episode_json
from service.problems import ProblemItem
from service.representations import operation_outcome
from service.review.build import Review, Wanted
from tests.support.episodes import dangers_and_a_duty_unjudged, encoded
from tests.support.pipeline import demo, demo_names, pipeline
from tests.support.reviews import instances

#: Representations give reason and sources whole; the accounts are what they are held against.
FULL = Wanted(accounts=True, full=True)
CANARY = "zq7canary"
#: https://hl7.org/fhir/R4/valueset-issue-type.html, the 31 codes (binding: required).
ISSUE_TYPES = {
    "invalid", "structure", "required", "value", "invariant", "security", "login",
    "unknown", "expired", "forbidden", "suppressed", "processing", "not-supported", "duplicate",
    "multiple-matches", "not-found", "deleted", "too-long", "code-invalid", "extension", "too-costly",
    "business-rule", "conflict", "transient", "lock-error", "no-store", "exception", "timeout",
    "incomplete", "throttled", "informational",
}  # fmt: skip
#: https://hl7.org/fhir/R4/valueset-issue-severity.html
SEVERITIES = {"fatal", "error", "warning", "information"}
#: Two codes that R4 defines as something else than their names suggest.
TRAPS = {"incomplete", "conflict"}


def review_of(document: dict[str, Any]) -> Review:
    return pipeline().review(encoded(document), "application/json", "default", FULL)


def fhir_review(name: str) -> tuple[Review, dict[str, Any]]:
    bundle = fhir_writer.bundle(episode_json.from_value(demo(name)).episode)
    return pipeline().review(json.dumps(bundle).encode(), "application/fhir+json", "default", FULL), bundle


def rendered(review: Review) -> dict[str, Any]:
    return dict(json.loads(operation_outcome.render(review)))


def extensions(node: dict[str, Any], slug: str) -> list[dict[str, Any]]:
    return [each for each in node.get("extension", []) if each["url"] == url(slug)]


def parts(extension: dict[str, Any], name: str) -> list[Any]:
    """The values of the parts of an extension that have this name."""
    named = [each for each in extension["extension"] if each["url"] == name]
    return [each.get("extension") or next(v for k, v in each.items() if k.startswith("value")) for each in named]


def instances_in(issue: dict[str, Any]) -> dict[str, dict[str, Any]]:
    """Fingerprint -> the extension of each instance of the finding in an issue."""
    return {parts(each, "fingerprint")[0]: each for each in extensions(issue, "finding-instance")}


def by_fingerprint(outcome: dict[str, Any]) -> dict[str, dict[str, Any]]:
    """Fingerprint -> the issue in which the instance stands."""
    return {mark: issue for issue in outcome["issue"] for mark in instances_in(issue)}


def of_findings(outcome: dict[str, Any]) -> list[dict[str, Any]]:
    return [issue for issue in outcome["issue"] if extensions(issue, "finding-instance")]


def places_in(extended: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """What each place says, by the names of its parts."""
    names = ("location", "item", "missing", "label")
    return [
        {part["url"]: part["valueString"] for part in place["extension"] if part["url"] in names} for place in extended
    ]


def assert_published_codes(outcome: dict[str, Any]) -> None:
    assert {issue["code"] for issue in outcome["issue"]} <= ISSUE_TYPES - TRAPS
    assert {issue["severity"] for issue in outcome["issue"]} <= SEVERITIES


def model(resource: dict[str, Any]) -> Any:
    """The resource as a model of fhir.resources (R4B; the element sets of these types are those of R4)."""
    pytest.importorskip("fhir.resources", reason="fhir.resources is not installed (extra: test)")
    from fhir.resources.R4B import get_fhir_model_class

    return get_fhir_model_class(resource["resourceType"]).model_validate_json(json.dumps(resource))


@pytest.mark.parametrize("name", demo_names())
def test_valid_by_an_independent_model(name: str) -> None:
    for review in (review_of(demo(name)), fhir_review(name)[0]):
        outcome = rendered(review)
        assert len(model(outcome).issue) == len(outcome["issue"]) >= 1
        assert_published_codes(outcome)


def test_the_independent_model_refuses_what_is_wrong() -> None:
    from pydantic import ValidationError

    outcome = rendered(review_of(demo("hold-only")))
    for spoiled in (
        outcome | {"issue": [{"severity": "error"}]},
        outcome | {"findings": []},
        outcome | {"issue": [outcome["issue"][0] | {"expression": "Bundle"}]},
    ):
        with pytest.raises(ValidationError):
            model(spoiled)


@pytest.mark.parametrize("name", demo_names())
def test_every_finding_stands_once_with_its_severity_and_words(name: str) -> None:
    review = review_of(demo(name))
    issues = of_findings(rendered(review))
    assert len(issues) == len(review.document["findings"])
    for finding, issue in zip(review.document["findings"], issues, strict=True):
        assert (
            issue["severity"] == {"critical": "error", "warning": "warning", "info": "information"}[finding["severity"]]
        )
        assert issue["details"]["coding"][0]["code"] == finding["rule"]["id"]
        text = issue["details"]["text"]
        assert finding["message"] in text
        assert finding["remediation"] in text
        assert text.startswith(finding.get("tell_now", finding["message"]))
        assert finding["why"] in issue["diagnostics"]
        assert extensions(issue, "finding-concern")[0]["valueCode"] == finding["concern"]
        told = instances_in(issue)
        assert list(told) == [one["fingerprint"] for one in finding["instances"]]
        for one in finding["instances"]:
            instance = told[one["fingerprint"]]
            assert one["message"] in issue["details"]["text"] + issue["diagnostics"]
            assert parts(instance, "acceptable") == [one["acceptable"]]
            period = [{"start": one["span"]["from"], "end": one["span"]["to"]}] if one["span"] else []
            assert parts(instance, "span") == period
            said = places_in([each for each in instance["extension"] if each["url"] == "place"])
            assert said == [
                {("location" if k == "pointer" else k): v for k, v in place.items() if k != "chars" and v}
                for place in one["pointers"]
            ]
        # Pointers are no FHIRPath, so they do not stand where FHIRPath is defined.
        assert "expression" not in issue


def test_codes_by_what_is_wrong() -> None:
    review = review_of(demo("everything-wrong"))
    found = by_fingerprint(rendered(review))
    codes = {
        (f["category"], bool(f["parameters"]), found[f["fingerprint"]]["code"]) for f in instances(review.document)
    }
    assert codes == {
        ("completeness", False, "required"),
        ("completeness", True, "business-rule"),
        ("safety", False, "business-rule"),
        ("safety", True, "business-rule"),
        ("consistency", False, "invariant"),
        ("consistency", True, "invariant"),
    }


def test_no_text_is_empty() -> None:
    """R4, "JSON Representation": a property is never empty text."""

    def texts(value: Any) -> Iterator[str]:
        if isinstance(value, str):
            yield value
        elif isinstance(value, dict | list):
            for each in value.values() if isinstance(value, dict) else value:
                yield from texts(each)

    for name in demo_names():
        for review in (review_of(demo(name)), fhir_review(name)[0], review_of({"episode_ref": "e"})):
            assert all(texts(json.loads(operation_outcome.render_resources(review))))
    errors = [ProblemItem("not-json", "No.", pointer=""), ProblemItem("no-chart", "No.", location="/nem:EMSDataSet")]
    outcome = json.loads(operation_outcome.problem_outcome("not-json", 400, "No.", errors))
    assert all(texts(outcome))
    assert extensions(outcome["issue"][2], "finding-place")


@pytest.mark.parametrize("name", demo_names())
def test_every_rule_is_accounted_for(name: str) -> None:
    review = review_of(demo(name))
    outcome = rendered(review)
    (accounts,) = extensions(outcome, "rule-accounts")
    said = {rule: part["url"] for part in accounts["extension"] for rule in part["valueString"].split()}
    assert said == {a["rule"]: a["outcome"] for a in review.document["accounts"]}
    unknown = [i["details"]["text"] for i in outcome["issue"] if i["code"] == "not-supported"]
    for group in review.document["not_assessable"]:
        (text,) = [text for text in unknown if text.endswith(": " + ", ".join(r["id"] for r in group["rules"]))]
        assert group["because"]["label"].lower() in text.lower()
    assert [i for i in outcome["issue"] if i["details"]["text"].endswith(review.document["cautions"][-1])]


def test_no_findings_is_still_an_issue() -> None:
    outcome = rendered(review_of(demo("exemplary")))
    assert {issue["severity"] for issue in outcome["issue"]} == {"information"}
    assert outcome["issue"][-1]["details"]["text"].startswith(
        f"{review_of(demo('exemplary')).document['patient']['text']} No findings. "
    )


@pytest.mark.parametrize("name", demo_names())
def test_expressions_resolve_by_an_independent_evaluator(name: str) -> None:
    fhirpathpy = pytest.importorskip("fhirpathpy", reason="fhirpathpy is not installed (extra: test)")
    from fhirpathpy.models import models

    review, bundle = fhir_review(name)
    outcome = rendered(review)
    told = {path for issue in outcome["issue"] for path in issue.get("expression", [])}
    shown = instances(review.document) + instances(review.document, "unjudged")
    pointed = {p["fhirpath"] for one in shown for p in one["pointers"]}
    pointed |= {p for notice in review.document["notices"] for p in notice["pointers"] if p}
    assert pointed <= told
    sample = sorted(told)[:: max(1, len(told) // 30)]
    assert [path for path in sample if not fhirpathpy.evaluate(bundle, path, [], models["r4"])] == []
    for issue in outcome["issue"]:
        assert len(set(issue.get("expression", []))) == len(issue.get("expression", []))


def test_an_accepted_finding_is_still_shown_and_the_reason_is_not() -> None:
    document = demo("night-two-crew-late-sedation")
    first = review_of(document)
    chosen = next(one for one in instances(first.document) if one["acceptable"])
    accepted = [{"fingerprint": chosen["fingerprint"], "reason": f"{CANARY}\u0001"}]
    review = review_of(document | {"accepted": accepted})
    assert review.document["summary"]["accepted"] == 1
    issue = by_fingerprint(rendered(review))[chosen["fingerprint"]]
    assert (issue["severity"], issue["code"]) == ("information", "informational")
    assert chosen["message"] in issue["details"]["text"]
    assert CANARY.encode() not in operation_outcome.render(review)


def test_a_disagreement_a_switched_off_rule_and_a_notice_are_said() -> None:
    review = review_of(demo("child-ketamine"))
    finding = review.document["findings"][0]
    one = finding["instances"][0] | {"disputed": True}
    finding = finding | {"instances": [one]}
    notice = {
        "code": "deciders-disagree",
        "severity": "critical",
        "text": "Engine and evaluator disagree.",
        "pointers": ["/sedation/doses/0"],
    }
    switch = {"rule": "RR-1045", "reason": "No harness aboard.", "owner": "Director", "ends": "2031-12-31"}
    document = review.document | {"findings": [finding], "notices": [notice], "off": [switch]}
    outcome = rendered(dataclasses.replace(review, document=document))
    model(outcome)
    assert parts(instances_in(by_fingerprint(outcome)[one["fingerprint"]])[one["fingerprint"]], "disputed") == [True]
    (said,) = [i for i in outcome["issue"] if i["code"] == "exception"]
    assert (said["severity"], said["details"]["text"]) == ("error", notice["text"])
    assert places_in(extensions(said, "finding-place")) == [{"location": "/sedation/doses/0"}]
    assert any("RR-1045 is switched off until 2031-12-31" in i["details"]["text"] for i in outcome["issue"])
    (accounts,) = extensions(outcome, "rule-accounts")
    assert {"url": "off", "valueString": "RR-1045"} in accounts["extension"]


def test_what_stays_unjudged_is_said_with_its_severity_cause_and_places() -> None:
    review = review_of(dangers_and_a_duty_unjudged())
    outcome = rendered(review)
    model(outcome)
    said = [issue for issue in outcome["issue"] if extensions(issue, "finding-unjudged")]
    assert len(said) == len(review.document["unjudged"]) > 0
    for entry, issue in zip(review.document["unjudged"], said, strict=True):
        severities = {"critical": "error", "warning": "warning", "info": "information"}
        assert (issue["severity"], issue["code"]) == (severities[entry["severity"]], "not-supported")
        assert issue["details"]["coding"][0]["code"] == entry["rule"]["id"]
        assert issue["details"]["text"] == entry.get("tell_now", entry["message"])
        assert all(cause["path"] in issue["diagnostics"] for cause in entry["because"])
        places = [place["pointer"] for one in entry["instances"] for place in one["pointers"]]
        assert [place["location"] for place in places_in(extensions(issue, "finding-place"))] == places


@pytest.mark.parametrize("name", demo_names())
def test_resources_on_request_take_their_times_from_the_record(name: str) -> None:
    review = review_of(demo(name))
    bundle = json.loads(operation_outcome.render_resources(review))
    model(bundle)
    kinds = Counter(entry["resource"]["resourceType"] for entry in bundle["entry"])
    safety = [f for f in review.document["findings"] if f["category"] == "safety"]
    closed = demo(name).get("chart", {}).get("closed")
    provenances = 0 if closed is None else 1
    assert kinds == Counter({"OperationOutcome": 1, "DetectedIssue": len(safety), "Provenance": provenances})
    names = [entry["fullUrl"] for entry in bundle["entry"]]
    assert len(set(names)) == len(names)
    for entry in bundle["entry"]:
        resource = entry["resource"]
        model(resource)
        if resource["resourceType"] == "DetectedIssue":
            assert resource.get("identifiedDateTime") == closed
        if resource["resourceType"] == "Provenance":
            assert resource["recorded"] == closed
            assert [target["reference"] for target in resource["target"]] == names[:-1]


def test_without_a_time_of_closing_there_is_no_provenance_and_that_is_said() -> None:
    document = demo("exemplary")
    document["chart"].pop("closed")
    bundle = json.loads(operation_outcome.render_resources(review_of(document)))
    model(bundle)
    assert {entry["resource"]["resourceType"] for entry in bundle["entry"]} == {"OperationOutcome"}
    texts = [issue["details"]["text"] for issue in bundle["entry"][0]["resource"]["issue"]]
    assert any(text.startswith("There is no Provenance") for text in texts)


@pytest.mark.parametrize("name", demo_names())
def test_same_bytes_from_another_build_of_the_review(name: str) -> None:
    one, two = review_of(demo(name)), review_of(demo(name))
    assert one is not two
    assert operation_outcome.render(one) == operation_outcome.render(two)
    assert operation_outcome.render_resources(one) == operation_outcome.render_resources(two)


@pytest.mark.parametrize(
    ("code", "status", "severity", "issue_type"),
    [
        ("not-json", 400, "fatal", "structure"),
        ("unknown-profile", 400, "error", "value"),
        ("unknown-caller", 401, "error", "login"),
        ("not-allowed", 403, "error", "forbidden"),
        ("not-found", 404, "error", "not-found"),
        ("missing-prefetch", 412, "error", "required"),
        ("body-too-large", 413, "fatal", "too-long"),
        ("unsupported-media-type", 415, "error", "not-supported"),
        ("no-restraint", 422, "error", "not-found"),
        ("several-charts", 422, "error", "multiple-matches"),
        ("invalid-episode", 422, "error", "invalid"),
        ("too-many-requests", 429, "error", "throttled"),
        ("internal-error", 500, "fatal", "exception"),
        ("not-evaluated", 503, "fatal", "exception"),
        ("not-ready", 503, "fatal", "transient"),
    ],
)
def test_problems(code: str, status: int, severity: str, issue_type: str) -> None:
    outcome = json.loads(operation_outcome.problem_outcome(code, status, "What is wrong."))
    model(outcome)
    assert outcome["issue"] == [
        {
            "severity": severity,
            "code": issue_type,
            "details": {"coding": [{"system": system("problem"), "code": code}], "text": "What is wrong."},
        }
    ]


def test_every_problem_of_the_service_has_a_published_code() -> None:
    from service.problems import PROBLEMS

    for code, problem in PROBLEMS.items():
        outcome = json.loads(operation_outcome.problem_outcome(code, problem.status, problem.detail))
        assert_published_codes(outcome)
        assert outcome["issue"][0]["code"] != "processing", code


def test_places_of_a_problem() -> None:
    errors = [
        ProblemItem("not-a-number", "Give a number.", pointer="/entry/3/resource"),
        ProblemItem("not-a-number", "Give a number.", pointer="/resourceType"),
        ProblemItem("unknown-profile", "No profile has this id.", parameter="profile"),
    ]
    body = operation_outcome.problem_outcome("invalid-episode", 422, "No.", errors, 7, fhir=True)
    outcome = json.loads(body)
    model(outcome)
    _, entry, other, parameter, rest = outcome["issue"]
    assert entry["expression"] == ["Bundle.entry[3].resource"]
    assert extensions(entry, "finding-place")[0]["extension"] == [
        {"url": "location", "valueString": "/entry/3/resource"}
    ]
    assert "expression" not in other
    assert parameter["location"] == ["http.profile"]
    assert rest["details"]["text"].startswith("7 more ")
    plain = json.loads(operation_outcome.problem_outcome("invalid-episode", 422, "No.", errors))
    assert all("expression" not in issue for issue in plain["issue"])
