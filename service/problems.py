"""What can be wrong with a request: the error that every layer raises, and the table of problems (RFC 9457)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any


def pointer_order(pointer: str) -> tuple[tuple[int, int, str], ...]:
    """Sort key of a pointer: by its parts, numbers as numbers."""
    return tuple([(0, int(p), "") if p.isdigit() else (1, 0, p) for p in pointer.split("/")[1:]])


#: At most this many places are reported for one request.
MOST_ERRORS = 50


@dataclass(frozen=True, slots=True)
class ProblemItem:
    """One place that is wrong; fixed text only.

    ``pointer`` (RFC 6901, into the body), ``parameter`` (of the query) or
    ``location`` (XPath with the prefix ``nem``, into an XML body). ``count``:
    how many places are wrong in this way, of which this is the first.
    """

    code: str
    detail: str
    pointer: str | None = None
    parameter: str | None = None
    location: str | None = None
    count: int = 1


class Rejected(Exception):
    """The request cannot be read. ``status`` 400 (not well-formed) or 422 (well-formed, not an episode).

    The exception's own text is the stable ``code`` and nothing else, so that
    it may appear in a log. ``in_all``: how many places are wrong, where
    ``errors`` are only the first of them.
    """

    def __init__(
        self, status: int, code: str, errors: list[ProblemItem] | None = None, in_all: int | None = None
    ) -> None:
        super().__init__(code)
        found = errors or []
        self.status = status
        self.code = code
        self.errors = tuple(found[:MOST_ERRORS])
        every = sum(error.count for error in found) if in_all is None else in_all
        self.omitted = every - sum(error.count for error in self.errors)


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
        415, "Media type not taken", "The Content-Type of the body is not one that this address takes."
    ),
    "unsupported-content-coding": Problem(
        415, "Content coding not taken", "Send the body as it is, without compression."
    ),
    "not-acceptable": Problem(406, "Not acceptable", "Nothing the Accept header asks for is offered here."),
    "body-too-large": Problem(413, "Body too large", "The body is larger than this service takes."),
    "too-many-lines": Problem(
        413, "Too many lines", "A batch has at most 1,000 lines or charts. Send more than one batch."
    ),
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
    "unknown-profile": Problem(
        400, "Unknown profile", "No profile with this id is served. The answer lists those that are."
    ),
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
    "unsupported-version": Problem(
        422,
        "Version not read",
        "The document is of a version, or holds a modifier or a rule, by which it cannot be read as it stands. "
        "Read here: FHIR R4 (4.0, 4.3) and NEMSIS 3.5, without modifierExtension and implicitRules.",
    ),
    "no-chart": Problem(422, "No chart", "There is nothing to review: the body has no chart, or only empty lines."),
    "not-schema-valid": Problem(422, "Not valid", "The document does not fit the published schema."),
    "too-many-items": Problem(422, "Too many items", "The episode has more items than this service reads."),
    "not-a-bundle": Problem(422, "Not a Bundle", "The body is JSON, but not a FHIR R4 Bundle."),
    "no-restraint": Problem(422, "No restraint", "Nothing in this chart says that a patient was restrained."),
    "several-charts": Problem(
        422,
        "Several charts",
        "This tells of more than one chart. Send each by itself, or a NEMSIS document with several to /v1/batches.",
    ),
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

#: Status -> the code that is answered in place of one that the table does not have.
_BY_STATUS = {400: "bad-request", 422: "invalid-episode"}


def known_code(code: str, status: int) -> str:
    """``code`` if the table has it with this status, else the general code of the status."""
    problem = PROBLEMS.get(code)
    return code if problem and problem.status == status else _BY_STATUS.get(status, "internal-error")


def problem_document(code: str, errors: Sequence[ProblemItem] = (), omitted: int = 0) -> dict[str, Any]:
    """A problem (RFC 9457). ``omitted``: places that are wrong beyond those listed. Raises KeyError for a code that is not in the table."""
    found = PROBLEMS[code]
    return {
        "type": f"/problems/{code}",
        "title": found.title,
        "status": found.status,
        "code": code,
        "detail": found.detail,
        "errors": [_item(error) for error in errors],
        "omitted": omitted,
    }


def _item(error: ProblemItem) -> dict[str, Any]:
    item: dict[str, Any] = {"code": error.code, "detail": error.detail}
    for name in ("pointer", "parameter", "location"):
        place = getattr(error, name)
        if place is not None:
            item[name] = place
    if error.count > 1:
        item["count"] = error.count
    return item
