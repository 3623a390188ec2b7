"""CDS Hooks 2.0: ``GET /cds-services``, ``POST /cds-services/{id}`` and ``/{id}/feedback``."""

from __future__ import annotations

from typing import Any

from flask import Blueprint, Flask, Response, g, request

from service.formats.cds_hooks.feedback import read_feedback
from service.formats.cds_hooks.request import SERVICE_ID, read_request
from service.observe import metrics
from service.problems import Rejected, known_code
from service.representations import cds_cards
from service.review.build import Wanted
from service.settings import Settings

from . import negotiation, query, request_body
from .documents import JSON
from .problems import Refusal
from .reviewing import Reviewing

ROUTE = "/cds-services"


def register(app: Flask, settings: Settings, reviewing: Reviewing) -> None:
    """Add the routes."""
    routes = Blueprint("cds", __name__)
    services = cds_cards.discovery()

    @routes.url_value_preprocessor
    def speak_fhir(_endpoint: str | None, _values: dict[str, Any] | None) -> None:
        # Comes before the question who calls, so that 401 and 429 are OperationOutcomes too.
        g.as_outcome = True

    @routes.after_request
    def let_pages_call(response: Response) -> Response:
        """Cross-origin resource sharing (Fetch standard), which CDS Hooks 2.0 asks of a service that pages call."""
        if settings.cds_origins:
            response.vary.add("Origin")
        if request.headers.get("Origin") in settings.cds_origins:
            response.headers["Access-Control-Allow-Origin"] = request.headers["Origin"]
            if request.method == "OPTIONS":
                response.headers["Access-Control-Allow-Methods"] = "GET, POST"
                response.headers["Access-Control-Allow-Headers"] = "Authorization, Content-Type"
                response.headers["Access-Control-Max-Age"] = "600"
        return response

    @routes.get(ROUTE)
    def discovery() -> Response:
        query.parameters(request)
        negotiation.given(request, JSON)
        return _fresh(services)

    @routes.post(f"{ROUTE}/<service>")
    def cards(service: str) -> Response:
        body = read(service)
        profile = reviewing.profile({})
        try:
            asked = read_request(body)
        except Rejected as rejected:
            raise _refusal(rejected) from None
        try:
            made = reviewing.read_and_review(
                asked.body,
                asked.media_type,
                profile,
                lambda found, look: cds_cards.render(found, asked, settings.base_url, look),
                Wanted(full=True),
            )
        except Rejected as rejected:
            if rejected.code == cds_cards.NOTHING_TO_SAY:
                g.code = rejected.code  # for the log line: the answer itself has no word for it
                return _fresh(cds_cards.no_cards())
            raise _refusal(asked.rejected(rejected)) from None
        return _fresh(made)

    @routes.post(f"{ROUTE}/<service>/feedback")
    def feedback(service: str) -> Response:
        body = read(service)
        try:
            told = read_feedback(body)
        except Rejected as rejected:
            raise _refusal(rejected) from None
        metrics.fed_back(told.accepted, told.overridden, told.reasons)
        response = Response(status=200, headers={"Cache-Control": "no-store"})
        del response.headers["Content-Type"]
        return response

    def read(service: str) -> bytes:
        if service != SERVICE_ID:
            raise Refusal("not-found")
        negotiation.taken(request, JSON)
        negotiation.given(request, JSON)
        body = request_body.read_body(request, reviewing.capacity, settings.max_body_bytes, settings.body_seconds)
        query.parameters(request)
        return body

    app.register_blueprint(routes)


def _refusal(rejected: Rejected) -> Refusal:
    return Refusal(known_code(rejected.code, rejected.status), rejected.errors, rejected.omitted)


def _fresh(body: bytes) -> Response:
    return Response(body, content_type=JSON, headers={"Cache-Control": "no-store"})
