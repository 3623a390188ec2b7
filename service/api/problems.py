"""The one table of problems, and how each becomes an answer (RFC 9457)."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from flask import Response, g

from service.presentation import operation_outcome
from service.problems import ProblemItem

MEDIA_TYPE = "application/problem+json"


@dataclass(frozen=True, slots=True)
class Problem:
    """One kind of refusal. All text is fixed: nothing of the request is repeated."""

    status: int
    title: str
    detail: str


#: code -> what it means. Order: the order in which refusals are decided.
PROBLEMS: dict[str, Problem] = {
    "not-found": Problem(404, "Not found", "There is nothing at this address."),
    "method-not-allowed": Problem(405, "Method not allowed", "The Allow header says what this address takes."),
    "unknown-caller": Problem(
        401, "Caller not known", "Show a key or token as Authorization: Bearer, or a client certificate."
    ),
    "not-allowed": Problem(403, "Not allowed", "This caller is known and may not do this."),
    "too-many-requests": Problem(429, "Too many requests", "This caller has sent too many requests; see Retry-After."),
    "too-busy": Problem(429, "Too busy", "This process has as many requests in hand as it takes; see Retry-After."),
    "unsupported-media-type": Problem(
        415, "Media type not taken", "The Accept header says which media type this address takes, in UTF-8."
    ),
    "unsupported-content-coding": Problem(
        415, "Content coding not taken", "Send the body as it is, without compression."
    ),
    "not-acceptable": Problem(406, "Not acceptable", "Nothing the Accept header asks for is offered here."),
    "body-too-large": Problem(413, "Body too large", "The body is larger than this service takes."),
    "too-many-lines": Problem(413, "Too many lines", "A batch has at most 1,000 lines. Send more than one batch."),
    "body-too-slow": Problem(408, "Body too slow", "The body did not arrive in time."),
    "incomplete-body": Problem(400, "Body incomplete", "The body ended before its announced end."),
    "bad-request": Problem(400, "Bad request", "The request cannot be read."),
    "bad-form": Problem(400, "Form not understood", "The form cannot be read, or has no file and no demo episode."),
    "not-xml": Problem(400, "Not XML", "The body is not well-formed XML."),
    "xml-not-utf-8": Problem(400, "XML not UTF-8", "The body is not UTF-8, or says that it is something else."),
    "xml-document-type": Problem(400, "Document type in XML", "A document type or entity declaration is not taken."),
    "xml-too-large": Problem(400, "XML too large", "The document is larger than this service reads."),
    "xml-too-deep": Problem(400, "XML too deep", "The elements nest deeper than in any chart."),
    "bad-query": Problem(400, "Query not understood", "A query parameter or its value is not known here."),
    "unknown-profile": Problem(400, "Unknown profile", "No profile has this id. /v1/profiles lists them."),
    "not-json": Problem(400, "Not JSON", "The body is not JSON (RFC 8259)."),
    "not-utf-8": Problem(400, "Not UTF-8", "The body is not UTF-8 without a byte order mark."),
    "too-deep": Problem(400, "Too deep", "The body nests deeper than an episode can."),
    "duplicate-member": Problem(400, "Duplicate member", "An object has two members of the same name."),
    "not-a-number": Problem(400, "Not a number", "A number is not finite; NaN and infinities are not JSON."),
    "number-too-long": Problem(400, "Number too long", "A number has too many digits."),
    "lone-surrogate": Problem(400, "Lone surrogate", "A string holds half of a surrogate pair."),
    "missing-prefetch": Problem(
        412, "Prefetch incomplete", "Something the chart needs was not sent whole, and no FHIR server is called for it."
    ),
    "invalid-hook-request": Problem(422, "Not a hook request", "The body is JSON, but not a request that can be read."),
    "invalid-feedback": Problem(422, "Not feedback", "The body is JSON, but not feedback that can be read."),
    "not-nemsis": Problem(422, "Not NEMSIS", "The body is XML, but no EMSDataSet of NEMSIS version 3."),
    "no-chart": Problem(422, "No chart", "The document holds no patient care report."),
    "not-schema-valid": Problem(422, "Not valid", "The document does not fit the published schema."),
    "too-many-items": Problem(422, "Too many items", "The episode has more items than this service reads."),
    "not-a-bundle": Problem(422, "Not a Bundle", "The body is JSON, but not a FHIR R4 Bundle."),
    "no-restraint": Problem(422, "No restraint", "Nothing in this chart says that a patient was restrained."),
    "several-charts": Problem(422, "Several charts", "This tells of more than one chart. Send each by itself."),
    "invalid-episode": Problem(422, "Not an episode", "The body is JSON, but not an episode that can be read."),
    "internal-error": Problem(500, "Internal error", "Nothing was reviewed. The fault is ours."),
    "not-evaluated": Problem(
        503, "Not evaluated", "The review was not finished, so there is no result. Show the chart as not checked."
    ),
    "review-too-slow": Problem(
        503, "Review too slow", "The review took too long, so there is no result. Show the chart as not checked."
    ),
    "not-ready": Problem(
        503, "Not ready", "This process cannot review now; see Retry-After. Show the chart as not checked."
    ),
}

#: What stands in for a code of another layer that this table does not have.
_BY_STATUS = {400: "bad-request", 422: "invalid-episode"}


class Refusal(Exception):
    """Raised in a view: answer with this problem. Its text is the code and nothing else."""

    def __init__(
        self,
        code: str,
        errors: Sequence[ProblemItem] = (),
        omitted: int = 0,
        headers: Mapping[str, str] | None = None,
    ) -> None:
        super().__init__(code)
        self.code = code
        self.errors = errors
        self.omitted = omitted
        self.headers = headers or {}


def known_code(code: str, status: int) -> str:
    """``code`` if the table has it with this status, else the general code of the status."""
    problem = PROBLEMS.get(code)
    return code if problem and problem.status == status else _BY_STATUS.get(status, "internal-error")


def answer(
    code: str,
    errors: Sequence[ProblemItem] = (),
    omitted: int = 0,
    headers: Mapping[str, str] | None = None,
) -> Response:
    """The response for a problem; an OperationOutcome where the route has said so (``g.as_outcome``).

    ``omitted``: places that are wrong beyond those listed.
    """
    problem = PROBLEMS[code]
    if g.get("as_outcome", False):
        body = operation_outcome.problem_outcome(
            code, problem.status, problem.detail, errors, omitted, fhir=g.get("from_bundle", False)
        )
        response = Response(body, problem.status, headers, content_type=operation_outcome.MEDIA_TYPE)
        response.headers["Cache-Control"] = "no-store"
        return response
    document = {
        "type": f"/problems/{code}",
        "title": problem.title,
        "status": problem.status,
        "code": code,
        "detail": problem.detail,
        "errors": [_item(error) for error in errors],
        "omitted": omitted,
    }
    response = Response(json.dumps(document), problem.status, headers, content_type=MEDIA_TYPE)
    response.headers["Cache-Control"] = "no-store"
    return response


def _item(error: ProblemItem) -> dict[str, str]:
    item = {"code": error.code, "detail": error.detail}
    if error.pointer is not None:
        item["pointer"] = error.pointer
    if error.location is not None:
        item["location"] = error.location
    if error.parameter is not None:
        item["parameter"] = error.parameter
    if error.location is not None:
        item["location"] = error.location
    return item
