"""``POST /v1/batches`` and ``/v1/measures``: up to a thousand episodes, one JSON object a line.

The body is read whole before the first line is answered. Each line waits for
its own turn, so that a batch does not keep single reviews waiting.
"""

from __future__ import annotations

import json
from collections.abc import Iterator

from flask import Blueprint, Flask, Response, request, stream_with_context

from service.api import limits, negotiation, query
from service.api.documents import JSON
from service.api.problems import Refusal
from service.api.reviewing import Reviewing, count
from service.batch import lines, measures
from service.batch.definitions import measures_of
from service.observe import log
from service.presentation import measures_page
from service.problems import ProblemItem
from service.settings import Settings

NDJSON = "application/x-ndjson"
CSV = "text/csv"
HTML = "text/html"
MOST_LINES = 1000


def register(app: Flask, settings: Settings, reviewing: Reviewing) -> None:
    """Add the routes."""
    routes = Blueprint("batches", __name__)
    pipeline = reviewing.pipeline

    def given() -> list[tuple[int, bytes]]:
        body = limits.read_body(request, settings.max_body_bytes, settings.body_seconds)
        found = list(lines.split(body))
        if len(found) > MOST_LINES:
            raise Refusal("too-many-lines")
        return found

    @routes.post("/v1/batches")
    def batch() -> Response:
        negotiation.taken(request, NDJSON)
        negotiation.given(request, NDJSON)
        found = given()
        values = query.parameters(request, "profile", "explain")
        explain = query.flag(values, "explain")
        profile = reviewing.profile(values)

        def answers() -> Iterator[bytes]:
            for number, line in found:
                yield _line(reviewing, line, number, profile, explain) + b"\n"

        response = Response(stream_with_context(answers()), content_type=NDJSON)
        response.headers["Cache-Control"] = "no-store"
        return response

    @routes.post("/v1/measures")
    def measure() -> Response:
        negotiation.taken(request, NDJSON)
        wanted = negotiation.given(request, JSON, CSV, HTML)
        found = given()
        values = query.parameters(request, "profile", "period")
        period = values.get("period", "month")
        if period not in measures.PERIODS:
            known = ", ".join(measures.PERIODS)
            raise Refusal("bad-query", [ProblemItem("unknown-value", f"Known values: {known}.", parameter="period")])
        profile = reviewing.profile(values)
        definitions = measures_of(pipeline.rulebook)
        tally = measures.Tally(len(definitions))
        for number, line in found:
            with reviewing.turns.evaluation():
                _told(measures.count(pipeline, tally, definitions, line, number, profile, period))
        document = measures.document(tally, definitions, lines.versions(pipeline, profile), period)
        if wanted == HTML:
            response = Response(measures_page.render(document), content_type=measures_page.MEDIA_TYPE)
            response.headers["Content-Security-Policy"] = measures_page.POLICY
        elif wanted == CSV:
            response = Response(measures.to_csv(document), content_type="text/csv; charset=utf-8")
        else:
            response = Response(json.dumps(document, ensure_ascii=False), content_type=JSON)
        response.headers["Cache-Control"] = "no-store"
        return response

    app.register_blueprint(routes)


def _line(reviewing: Reviewing, line: bytes, number: int, profile: str, explain: bool) -> bytes:
    try:
        with reviewing.turns.evaluation():
            found = lines.answer(reviewing.pipeline, line, number, profile, explain)
    except Refusal as refusal:  # no turn in time: this line has no result, the rest goes on
        found = lines.refused(number, refusal.code)
    _told(found)
    return lines.render(found)


def _told(found: lines.Answer) -> None:
    if found.review is not None:
        count(found.review)
    elif found.status >= 500:
        log.emit("error", "line-not-reviewed", status=found.status, code=found.code)
