"""``POST /v1/batches`` and ``/v1/measures``: up to a thousand episodes, one JSON object a line, or charts in XML.

The body is read whole before the first line is answered. Each line waits for
its own turn, so that a batch does not keep single reviews waiting.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

from flask import Blueprint, Flask, Response, g, request, stream_with_context

from service.batch import lines, measures, measures_table
from service.batch.definitions import measures_of
from service.batch.tally import Tally
from service.formats.media_types import FHIR
from service.observe import log
from service.pages import html
from service.pages import measures as measures_page
from service.problems import ProblemItem, Rejected, known_code
from service.review.build import Wanted
from service.settings import Settings

from . import negotiation, query, request_body
from .documents import HTML, JSON
from .problems import Refusal
from .reviewing import Reviewing, count
from .rules import ROUTE as RULES

NDJSON = "application/x-ndjson"
FHIR_NDJSON = "application/fhir+ndjson"
XML = ("application/xml", "text/xml")
CSV = "text/csv"
MOST_LINES = 1000


def register(app: Flask, settings: Settings, reviewing: Reviewing) -> None:
    """Add the routes."""
    routes = Blueprint("batches", __name__)
    pipeline = reviewing.pipeline

    def given() -> bytes:
        return request_body.read_body(request, reviewing.capacity, settings.max_body_bytes, settings.body_seconds)

    def lines_of(body: bytes) -> list[tuple[int, lines.Source]]:
        return _at_most(list(lines.split(body)))

    def charts_of(body: bytes, media_type: str) -> list[tuple[int, lines.Source]]:
        try:
            with reviewing.capacity.review(len(body)):
                found = pipeline.read_all(body, media_type)
        except Rejected as rejected:
            code = known_code(rejected.code, rejected.status)
            raise Refusal(code, rejected.errors, rejected.omitted) from None
        return _at_most(list(enumerate(found, 1)))

    @routes.post("/v1/batches")
    def batch() -> Response:
        media_type = negotiation.taken(request, NDJSON, FHIR_NDJSON, FHIR, *XML)
        negotiation.given(request, NDJSON)
        g.as_outcome = media_type in (FHIR, FHIR_NDJSON)
        body = given()
        is_lines = media_type in (NDJSON, FHIR_NDJSON)
        found = lines_of(body) if is_lines else []
        values = query.parameters(request, *query.OF_A_REVIEW)
        wanted = query.wanted(values)
        profile = reviewing.profile(values)
        if not is_lines:
            found = charts_of(body, media_type)

        def answers() -> Iterator[bytes]:
            for number, line in found:
                yield _line(reviewing, line, number, profile, wanted) + b"\n"

        response = Response(stream_with_context(answers()), content_type=NDJSON)
        response.headers["Cache-Control"] = "no-store"
        return response

    @routes.post("/v1/measures")
    def measure() -> Response:
        negotiation.taken(request, NDJSON)
        wanted = negotiation.given(request, JSON, CSV, HTML)
        found = lines_of(given())
        values = query.parameters(request, "profile", "period")
        period = values.get("period", "month")
        if period not in measures.PERIODS:
            known = ", ".join(measures.PERIODS)
            raise Refusal("bad-query", [ProblemItem("unknown-value", f"Known values: {known}.", parameter="period")])
        profile = reviewing.profile(values)
        definitions = measures_of(pipeline.rulebook)
        tally = Tally(definitions)
        for number, line in found:
            with reviewing.capacity.review(0, wait=True) as look:
                _told(measures.count(pipeline, tally, definitions, line, number, profile, period, look))
        document = measures.document(tally, definitions, lines.versions(pipeline, profile), measures.Look(period))
        if wanted == HTML:
            response = Response(measures_page.render(document, f"{RULES}/"), content_type=html.MEDIA_TYPE)
            response.headers["Content-Security-Policy"] = html.READ_POLICY
        elif wanted == CSV:
            response = Response(measures_table.to_csv(document), content_type="text/csv; charset=utf-8")
        else:
            response = Response(json.dumps(document, ensure_ascii=False), content_type=JSON)
        response.headers["Cache-Control"] = "no-store"
        return response

    app.register_blueprint(routes)


def _at_most(found: list[tuple[int, Any]]) -> list[tuple[int, Any]]:
    if len(found) > MOST_LINES:
        raise Refusal("too-many-lines")
    return found


def _line(reviewing: Reviewing, line: lines.Source, number: int, profile: str, wanted: Wanted) -> bytes:
    try:
        with reviewing.capacity.review(0, wait=True) as look:
            found = lines.answer(reviewing.pipeline, line, number, profile, wanted, look)
    except Refusal as refusal:  # no place or not done in time: this line has no result, the rest goes on
        found = lines.refused(number, refusal.code)
    _told(found)
    return lines.render(found)


def _told(found: lines.Answer) -> None:
    if found.review is not None:
        count(found.review)
    elif found.status >= 500:
        log.emit("error", "line-not-reviewed", status=found.status, code=found.code)
