"""``GET /problems/{code}``: what a problem means and what to do, for a program and for a person.

The ``type`` of every problem points here. What the codes are stands in
``service.problems``. Somebody at a browser is answered with such a page
straight away.
"""

from __future__ import annotations

import json
from typing import NamedTuple

from flask import Blueprint, Flask, Response, request

from service.pages import html
from service.pages import problem as problem_page
from service.problems import PROBLEMS

from . import query
from .documents import Document, with_page
from .problems import MEDIA_TYPE, Refusal

ROUTE = "/problems/<code>"
#: Whether the same request may succeed when it is sent again.
NEVER, LATER, ONCE = "never", "later", "once"


class Guide(NamedTuple):
    """What one problem means and what to do; plain text."""

    means: str
    to_do: str
    send_again: str = NEVER


_PLACES = "Look at errors: each names a place and what is wrong there."
_XML_LIMITS = "No published chart comes near this limit. Look for what your export adds."
_NOT_CHECKED = "Show the chart as not checked. Send it again once, after Retry-After."

#: Code -> guide, in the order of the table of problems.
GUIDES: dict[str, Guide] = {
    "not-found": Guide(
        "No route, rule, profile or service has this address.",
        "Compare the address with the contract, /openapi.yaml. Rules and profiles are listed at /v1/rules and /v1/profiles.",
    ),
    "method-not-allowed": Guide(
        "The address is right and the method is not.", "Use a method that the header Allow names."
    ),
    "unknown-caller": Guide(
        "The operator wants to know who calls, and no key, token or certificate was shown, or one that is not known or no longer holds.",
        "Check the key with the operator of this service. Send it as Authorization: Bearer.",
    ),
    "not-allowed": Guide(
        "The caller is known, and its scopes do not cover this address.",
        "Ask the operator for the scope that the contract names at this address.",
    ),
    "too-many-requests": Guide(
        "This caller has sent more requests in a minute than the operator allows.",
        "Wait for Retry-After, then send the same request. Send many charts with /v1/batches.",
        LATER,
    ),
    "too-busy": Guide(
        "This process holds as many requests as it takes. Nothing is wrong with yours.",
        "Wait for Retry-After, then send the same request once. If it is refused again, show the chart as not checked.",
        LATER,
    ),
    "unsupported-media-type": Guide(
        "The header Content-Type is missing, or names a format that this address does not read.",
        "Send one that errors and the header Accept of the answer name. For our own JSON that is application/json.",
    ),
    "unsupported-content-coding": Guide(
        "The body is compressed. A small compressed body can hold a very large one, so none is taken.",
        "Send the body without Content-Encoding.",
    ),
    "not-acceptable": Guide(
        "The header Accept asks for formats that this address does not write.",
        "Ask for one that errors names, or leave Accept out.",
    ),
    "body-too-large": Guide(
        "The body is longer than the operator allows; 8 MiB unless that was changed.",
        "Send one chart at a time. A chart this large holds something that no review reads, such as an image.",
    ),
    "too-many-lines": Guide(
        "One request has more than 1,000 lines or charts.",
        "Send several requests, or run the command restraint-review batch on the file.",
    ),
    "body-too-slow": Guide(
        "The body did not arrive in the time the operator allows; 10 s unless that was changed.",
        "Check the network between the two systems. Send the same request again once.",
        ONCE,
    ),
    "incomplete-body": Guide(
        "The connection ended before as many bytes had come as Content-Length announced.",
        "Check that Content-Length counts bytes, not characters. Send the request again once.",
        ONCE,
    ),
    "bad-request": Guide(
        "The request line, a header or the body cannot be read as HTTP has it.",
        "Look at errors, and at what stands between the two systems. Use an HTTP library rather than code of your own.",
    ),
    "bad-form": Guide(
        "The form of the start page was sent without a file or demo episode, or in another shape.",
        "Choose a file and its format. Programs use /v1/reviews.",
    ),
    "not-xml": Guide(
        "The body is not well-formed XML.", f"{_PLACES} Open the document in any XML tool to find the slip."
    ),
    "xml-not-utf-8": Guide(
        "The bytes are not UTF-8, or the XML declaration names another encoding.",
        "Write the document in UTF-8, and say so in its declaration or leave it out.",
    ),
    "xml-document-type": Guide(
        "The document declares a type or an entity. Those can be used to attack a reader, so neither is taken.",
        "Leave the DOCTYPE out. No NEMSIS document needs one.",
    ),
    "xml-too-large": Guide("The document has more elements or text than is read.", _XML_LIMITS),
    "xml-too-deep": Guide("The elements nest deeper than in any chart.", _XML_LIMITS),
    "bad-query": Guide(
        "A query parameter has a name or value that this address does not know, or comes twice.",
        "Look at errors: each names the parameter and the known values. An unknown name is not repeated; the known ones are listed.",
    ),
    "unknown-profile": Guide(
        "This service does not serve a profile of that id.",
        "Choose one of those listed, or leave the parameter out for the operator's choice. The operator names further ones.",
    ),
    "not-json": Guide(
        "The body is not JSON, or it holds several JSON texts.",
        f"{_PLACES} Many episodes, one a line, go to /v1/batches as application/x-ndjson.",
    ),
    "not-utf-8": Guide(
        "The bytes are not UTF-8, or begin with a byte order mark.",
        "Write the body in UTF-8 without a byte order mark.",
    ),
    "too-deep": Guide(
        "Objects and lists nest deeper than 32 levels.",
        "An episode needs no more than seven. Look at what stands under extensions.",
    ),
    "duplicate-member": Guide(
        "An object names the same member twice. Readers differ in which one they keep, so a value could be lost.",
        f"{_PLACES} Send each member once; what happens several times is a list.",
    ),
    "not-a-number": Guide(
        "The body holds NaN or an infinity, which JSON does not have.",
        'Leave the member out where there is no value, or send {"absent": "declined"} with the reason.',
    ),
    "number-too-long": Guide("A number has more digits than any measurement.", "Round it as it was charted."),
    "lone-surrogate": Guide(
        "A text holds half of a character, often because it was cut to a length.",
        "Cut texts between characters, or send them whole.",
    ),
    "missing-prefetch": Guide(
        "A CDS Hooks request lacks something the chart needs, or brings one page of several. No FHIR server is called for it.",
        "Send every key of prefetch whole. errors names what is not there.",
    ),
    "invalid-hook-request": Guide("The body is JSON, but no CDS Hooks request.", _PLACES),
    "invalid-feedback": Guide("The body is JSON, but no CDS Hooks feedback.", _PLACES),
    "not-nemsis": Guide(
        "The root is not an EMSDataSet of NEMSIS version 3.",
        "Send the EMSDataSet itself, without an envelope around it.",
    ),
    "unsupported-version": Guide(
        "The document is of a version that is not read here, or holds a modifier or a rule that changes its meaning.",
        "Send FHIR R4 (4.0 or 4.3) or NEMSIS 3.5, without modifierExtension and implicitRules.",
    ),
    "no-chart": Guide(
        "The document holds no patient care report.",
        "Send a document with one PatientCareReport. Several go to /v1/batches.",
    ),
    "not-schema-valid": Guide(
        "The operator asks for documents that fit the published schema, and this one does not.", _PLACES
    ),
    "too-many-items": Guide(
        "A list has more than 2,000 items, or the episode more than 10,000 in all.",
        "Send one episode. Readings every few seconds go in as spans of a monitor.",
    ),
    "not-a-bundle": Guide(
        "The body is JSON of another kind than a FHIR R4 Bundle.",
        "Send a Bundle with the chart's resources. Our own JSON goes as application/json.",
    ),
    "no-restraint": Guide(
        "Nothing in this Bundle or document tells of a restraint, so there is nothing to review. This is no fault.",
        "Do nothing, unless a restraint is charted in a place that /v1/formats does not list.",
    ),
    "several-charts": Guide(
        "One request tells of more than one chart, and findings about them could be mixed up.",
        "Send each chart by itself, or a NEMSIS document with several to /v1/batches.",
    ),
    "invalid-episode": Guide(
        "The body is JSON, and something in it cannot be read. A member that is left out is never a fault.",
        f"{_PLACES} /episode.schema.json has every member, and /v1/formats says what each is.",
    ),
    "internal-error": Guide(
        "The fault is the service's. Nothing was reviewed, and nothing of the record was written to a log.",
        "Show the chart as not checked. Tell the operator the time of the request; the log has the place of the fault.",
        ONCE,
    ),
    "not-evaluated": Guide("The rules did not run to the end, so there is no result.", _NOT_CHECKED, LATER),
    "review-too-slow": Guide(
        "The review took longer than the operator allows, or waited too long for its turn.", _NOT_CHECKED, LATER
    ),
    "not-ready": Guide(
        "This process does not review now: it is starting, a rule failed its own examples, or it cannot read who may call.",
        f"{_NOT_CHECKED} If it lasts, tell the operator: /health/ready says the same, and the log says why.",
        LATER,
    ),
}


def register(app: Flask) -> None:
    """Add the route; every document is made here, once."""
    routes = Blueprint("problem_guides", __name__)
    found = {}
    for code in GUIDES:
        page = Document.of_page(problem_page.render(_said(code)))
        found[code] = (Document.of_json(_said(code)), page)

    @routes.get(ROUTE)
    def problem(code: str) -> Response:
        query.parameters(request)
        if code not in found:
            raise Refusal("not-found")
        return with_page(request, *found[code])

    app.register_blueprint(routes)


def answer_browsers(app: Flask) -> None:
    """Refusals as pages for browsers, which say so by asking for XHTML beside HTML; programs get the problem itself."""

    @app.after_request
    def as_page(response: Response) -> Response:
        if response.mimetype != MEDIA_TYPE:
            return response
        asked = ",".join(request.headers.getlist("Accept"))
        if "text/html" not in asked or "application/xhtml+xml" not in asked:
            return response
        refused = json.loads(response.get_data())
        places = [(each.get("pointer") or each.get("location") or "", each["detail"]) for each in refused["errors"]]
        response.set_data(problem_page.render(_said(refused["code"]), places))
        response.content_type = html.MEDIA_TYPE
        response.headers["Content-Security-Policy"] = f"{html.READ_POLICY}; frame-ancestors 'none'"
        return response


def _said(code: str) -> dict[str, object]:
    of, guide = PROBLEMS[code], GUIDES[code]
    return {
        "type": f"/problems/{code}",
        "code": code,
        "status": of.status,
        "title": of.title,
        "detail": of.detail,
        "means": guide.means,
        "to_do": guide.to_do,
        "send_again": guide.send_again,
    }
