"""A review, or a problem, as FHIR R4 OperationOutcome (https://hl7.org/fhir/R4/operationoutcome.html).

Severity: critical = error, warning = warning, info = information; ``fatal`` is
for requests that could not be read. ``expression`` is FHIRPath into a FHIR
resource by definition, so it is there only when the chart came as FHIR; the
extension ``finding-place`` holds every location in the language of the
document that was sent. Codes that R4 means otherwise are not used:
``incomplete`` is about sources that did not answer, ``conflict`` about two
versions of an edit.
"""

from __future__ import annotations

import re
import uuid
from collections.abc import Mapping, Sequence
from typing import Any

import orjson

from service.checkpoint import Checkpoint, never
from service.episode.moment import Moment
from service.formats.fhir.profile import BASE, stamp, system, url
from service.problems import ProblemItem
from service.review.build import Review

from .texts import cause, counted, every_place, limits, messages, rules_by_outcome, sources

Resource = dict[str, Any]

MEDIA_TYPE = "application/fhir+json"
_SEVERITY = {"critical": "error", "warning": "warning", "info": "information"}
#: Severities of a DetectedIssue (R4 value set detectedissue-severity).
_HARM = {"critical": "high", "warning": "moderate", "info": "low"}
#: HTTP status of a problem -> (severity, R4 issue type).
_BY_STATUS = {
    400: ("fatal", "structure"),
    401: ("error", "login"),
    403: ("error", "forbidden"),
    404: ("error", "not-found"),
    405: ("error", "not-supported"),
    406: ("error", "not-supported"),
    408: ("error", "timeout"),
    412: ("error", "required"),
    413: ("fatal", "too-long"),
    414: ("fatal", "too-long"),
    415: ("error", "not-supported"),
    422: ("error", "invalid"),
    429: ("error", "throttled"),
    431: ("fatal", "too-long"),
    500: ("fatal", "exception"),
    503: ("fatal", "transient"),
}
#: Code of a problem -> the same, where the code says more than the status.
_BY_CODE = {
    "bad-query": ("error", "value"),
    "unknown-profile": ("error", "value"),
    "no-restraint": ("error", "not-found"),
    "several-charts": ("error", "multiple-matches"),
    "too-many-items": ("error", "too-costly"),
    "review-too-slow": ("fatal", "timeout"),
    "not-evaluated": ("fatal", "exception"),
}
_ENTRY = re.compile(r"/entry/(0|[1-9][0-9]*)(/resource)?")


def render(review: Review, checkpoint: Checkpoint = never) -> bytes:
    """One OperationOutcome in UTF-8: an issue for each finding, danger that stays unjudged, acceptance, notice,
    reason why rules cannot be assessed and rule that is off, and a last one with the counts and the cautions. The
    extension ``rule-accounts`` names every rule by its outcome."""
    return orjson.dumps(_outcome(review))


def render_resources(review: Review, checkpoint: Checkpoint = never) -> bytes:
    """A Bundle of the OperationOutcome, a DetectedIssue for each safety finding that stands, and a Provenance.

    Every time in it is ``chart.closed``. Without that there is no Provenance
    (R4 requires ``recorded``), and an issue says so. Whether any of them goes
    into the legal record is for the agency to decide.
    """
    document = review.document
    outcome = _outcome(review)
    closed = review.intake.episode.chart.closed
    recorded = stamp(closed) if isinstance(closed, Moment) else None
    if recorded is None:
        text = "There is no Provenance: the record has no time at which the chart was closed."
        outcome["issue"].insert(-1, _issue("information", "informational", text))
    resources = [outcome]
    resources += [
        _detected(finding, review, recorded) for finding in document["findings"] if finding["category"] == "safety"
    ]
    names = [f"urn:uuid:{name_of(document, str(number))}" for number in range(len(resources) + 1)]
    if recorded is not None:
        resources.append(_provenance(document, names[: len(resources)], recorded))
    entries = [{"fullUrl": name, "resource": each} for name, each in zip(names, resources, strict=False)]
    return orjson.dumps({"resourceType": "Bundle", "type": "collection", "entry": entries})


def problem_outcome(
    code: str, status: int, detail: str, errors: Sequence[ProblemItem] = (), omitted: int = 0, *, fhir: bool = False
) -> bytes:
    """A refusal as OperationOutcome in UTF-8, with the code, text and places of the RFC 9457 problem.

    ``fhir``: the body was a Bundle, so pointers into its entries are given as FHIRPath too.
    ``omitted``: places that are wrong beyond those listed.
    """
    severity, issue_type = _BY_CODE.get(code) or _BY_STATUS.get(status, ("error", "processing"))
    issues = [_issue(severity, issue_type, detail, _problem_coding(code))]
    for error in errors:
        issue = _issue("error", issue_type, error.detail, _problem_coding(error.code))
        place = error.pointer or error.location
        if place:  # "" is the whole document, and FHIR has no empty text
            issue["extension"] = [_extension("finding-place", [_part("location", place)])]
        if error.pointer is not None:
            entry = _ENTRY.match(error.pointer)
            if fhir and entry:
                issue["expression"] = [f"Bundle.entry[{entry[1]}]{'.resource' if entry[2] else ''}"]
        if error.parameter is not None:
            issue["location"] = [f"http.{error.parameter}"]
        issues.append(issue)
    if omitted:
        text = f"{omitted} more of the places that are wrong are not listed."
        issues.append(_issue("information", "informational", text))
    return orjson.dumps({"resourceType": "OperationOutcome", "issue": issues})


def name_of(document: Mapping[str, Any], what: str) -> str:
    """The UUID (version 5) of one part of one review: the same for the same input and ``what``."""
    return str(uuid.uuid5(uuid.NAMESPACE_URL, f"{BASE}/reviews/{document['input_digest']}/{what}"))


# ---------------------------------------------------------------- the review


def _outcome(review: Review) -> Resource:
    document = review.document
    issues = [_of_finding(finding, review) for finding in document["findings"]]
    issues += [_of_unjudged(entry, review) for entry in document["unjudged"]]
    issues += [_of_accepted(finding, review) for finding in document["accepted"]]
    issues += [_of_notice(notice, review) for notice in document["notices"]]
    issues += [_issue("information", "not-supported", cause(group)) for group in document["not_assessable"]]
    for switch in document["off"]:
        text = f"{switch['rule']} is switched off until {switch['ends']} by {switch['owner']}: {switch['reason']}"
        issues.append(_issue("information", "informational", text, _rule_coding(switch["rule"])))
    text = " ".join([document["patient"]["text"], counted(document), *document["cautions"]])
    issues.append(_issue("information", "informational", text))
    versions = [_part(name.replace("_", "-"), said) for name, said in document["versions"].items()]
    accounts = [_part(outcome, " ".join(rules)) for outcome, rules in rules_by_outcome(review).items()]
    return {
        "resourceType": "OperationOutcome",
        "extension": [
            _extension("episode-ref", document["episode_ref"]),
            _extension("input-digest", document["input_digest"]),
            _extension("review-versions", versions),
            _extension("rule-accounts", accounts),
        ],
        "issue": issues,
    }


def _said(finding: Mapping[str, Any]) -> str:
    told = [finding["tell_now"]] if "tell_now" in finding else []
    return " ".join([*told, finding["message"], finding["remediation"]])


def _of_finding(finding: Mapping[str, Any], review: Review) -> Resource:
    issue = _issue(_SEVERITY[finding["severity"]], _type(finding), _said(finding), _rule_coding(**finding["rule"]))
    issue["details"]["coding"][0]["display"] = finding["title"]
    issue["diagnostics"] = _diagnostics(finding, review.document)
    issue["extension"] = _marks(finding, review.intake.language)
    return _expressed(issue, finding, review)


def _of_unjudged(entry: Mapping[str, Any], review: Review) -> Resource:
    rule = entry["rule"]
    coding = None if rule is None else _rule_coding(**rule) | {"display": entry["title"]}
    text = entry.get("tell_now", entry["message"])
    issue = _issue(_SEVERITY[entry["severity"]], "not-supported", text, coding)
    issue["diagnostics"] = "; ".join(f"{each['path']}: {each['state']}" for each in entry["because"])
    language = review.intake.language
    issue["extension"] = [
        _code("finding-severity", entry["severity"]),
        _code("finding-concern", entry["concern"]),
        {"url": url("finding-unjudged"), "valueBoolean": True},
        *(_place(place, language) for place in every_place(entry)),
    ]
    return _expressed(issue, entry, review)


def _of_accepted(finding: Mapping[str, Any], review: Review) -> Resource:
    text = f"Accepted by the sender, with a reason: {finding['message']}"
    issue = _issue("information", "informational", text, _rule_coding(**finding["rule"]))
    issue["details"]["coding"][0]["display"] = finding["title"]
    issue["extension"] = _marks(finding, review.intake.language)
    return _expressed(issue, finding, review)


def _type(finding: Mapping[str, Any]) -> str:
    """R4 issue type. An entry that is not there is ``required``; a limit that is not met is ``business-rule``."""
    if finding["category"] == "consistency":
        return "invariant"
    return "business-rule" if finding["category"] == "safety" or finding["parameters"] else "required"


def _diagnostics(finding: Mapping[str, Any], document: Mapping[str, Any]) -> str:
    parts = [finding["why"]]
    if finding["parameters"]:
        parts.append(f"Limits: {limits(finding)}.")
    parts += messages(finding)[1:]
    versions = document["versions"]
    parts.append(f"Sources: {sources(finding)}. Ruleset {versions['ruleset']}, profile {versions['profile']}.")
    return " ".join(parts)


def _marks(finding: Mapping[str, Any], language: str) -> list[Resource]:
    """What a program needs of a finding, as extensions; places in the language of the sent document."""
    said: list[Resource] = [
        _code("finding-severity", finding["severity"]),
        _code("finding-category", finding["category"]),
        _code("finding-concern", finding["concern"]),
        _code("finding-phase", finding["phase"]),
        _code("finding-handled-by", finding["handled_by"]),
    ]
    if finding["story"] is not None:
        said.append({"url": url("finding-story"), "valueInteger": finding["story"]})
    for instance in finding["instances"]:
        parts: list[Resource] = [
            _part("fingerprint", instance["fingerprint"]),
            {"url": "acceptable", "valueBoolean": instance["acceptable"]},
        ]
        if instance.get("disputed"):
            parts.append({"url": "disputed", "valueBoolean": True})
        if instance["span"]:
            period = {"start": instance["span"]["from"], "end": instance["span"]["to"]}
            parts.append({"url": "span", "valuePeriod": period})
        parts += [_place(place, language) | {"url": "place"} for place in instance["pointers"]]
        said.append(_extension("finding-instance", parts))
    return said


def _place(place: Mapping[str, Any], language: str) -> Resource:
    parts = [_part("location", place[language])] if place[language] else []
    parts += [_part(name, place[name]) for name in ("item", "missing", "label") if name in place]
    if "chars" in place:
        parts += [{"url": f"char-{end}", "valueInteger": place["chars"][end]} for end in ("from", "to")]
    return _extension("finding-place", parts)


def _of_notice(notice: Mapping[str, Any], review: Review) -> Resource:
    issue_type = "informational"
    if notice["severity"] == "critical":
        issue_type = "exception"
    elif notice["code"] == "mostly-not-assessable":
        issue_type = "not-supported"
    coding = {"system": system("notice"), "code": notice["code"]}
    issue = _issue(_SEVERITY[notice["severity"]], issue_type, notice["text"], coding)
    places = [place for place in notice["pointers"] if place]
    if places:
        issue["extension"] = [_extension("finding-place", [_part("location", place)]) for place in places]
        if review.intake.language == "fhirpath":
            issue["expression"] = list(dict.fromkeys(places))
    return issue


def _expressed(issue: Resource, entry: Mapping[str, Any], review: Review) -> Resource:
    """Add the places as FHIRPath expressions, each once, where the chart came as FHIR."""
    if review.intake.language == "fhirpath":
        expressions = list(dict.fromkeys(place["fhirpath"] for place in every_place(entry)))
        if expressions:
            issue["expression"] = expressions
    return issue


# ---------------------------------------------------------------- other resources


def _service(document: Mapping[str, Any]) -> Resource:
    versions = document["versions"]
    said = [f"service {versions['service']}", f"ruleset {versions['ruleset']} {versions['ruleset_digest']}"]
    said.append(f"profile {versions['profile']} {versions['profile_digest']}")
    return {
        "resourceType": "Device",
        "id": "service",
        "deviceName": [{"name": "restraint-review", "type": "model-name"}],
        "version": [{"value": each} for each in said],
    }


def _detected(finding: Mapping[str, Any], review: Review, recorded: str | None) -> Resource:
    issue: Resource = {
        "resourceType": "DetectedIssue",
        "contained": [_service(review.document)],
        "extension": _marks(finding, review.intake.language),
        "identifier": [
            {"system": system("fingerprint"), "value": instance["fingerprint"]} for instance in finding["instances"]
        ],
        "status": "final",
        "code": {"coding": [_rule_coding(**finding["rule"]) | {"display": finding["title"]}], "text": finding["title"]},
        "severity": _HARM[finding["severity"]],
        "author": {"reference": "#service"},
        "detail": _said(finding),
    }
    if recorded is not None:
        issue["identifiedDateTime"] = recorded
    return issue


def _provenance(document: Mapping[str, Any], targets: Sequence[str], recorded: str) -> Resource:
    role = "http://terminology.hl7.org/CodeSystem/provenance-participant-type"
    return {
        "resourceType": "Provenance",
        "contained": [_service(document)],
        "target": [{"reference": target} for target in targets],
        "recorded": recorded,
        "agent": [{"type": {"coding": [{"system": role, "code": "assembler"}]}, "who": {"reference": "#service"}}],
        "entity": [
            {
                "role": "source",
                "what": {"identifier": {"system": system("input-digest"), "value": document["input_digest"]}},
            }
        ],
    }


# ---------------------------------------------------------------- parts


def _issue(severity: str, issue_type: str, text: str, coding: Mapping[str, str] | None = None) -> Resource:
    details: Resource = {"coding": [dict(coding)]} if coding else {}
    return {"severity": severity, "code": issue_type, "details": details | {"text": text}}


def _rule_coding(id: str, revision: int | None = None, **_: Any) -> dict[str, str]:
    version = {} if revision is None else {"version": str(revision)}
    return {"system": system("rule"), **version, "code": id}


def _problem_coding(code: str) -> dict[str, str]:
    return {"system": system("problem"), "code": code}


def _extension(slug: str, value: str | list[Resource]) -> Resource:
    if isinstance(value, str):
        return {"url": url(slug), "valueString": value}
    return {"url": url(slug), "extension": value}


def _code(slug: str, value: str) -> Resource:
    return {"url": url(slug), "valueCode": value}


def _part(name: str, value: str) -> Resource:
    return {"url": name, "valueString": value}
