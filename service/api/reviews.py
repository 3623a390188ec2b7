"""``POST /v1/reviews``: one episode in, one review out."""

from __future__ import annotations

from flask import Blueprint, Flask, Response, g, request

from service.formats.media_types import FHIR
from service.pipeline import MEDIA_TYPES
from service.problems import ProblemItem
from service.settings import Settings

from . import answers, negotiation, query, request_body
from .problems import Refusal
from .reviewing import Reviewing

ROUTE = "/v1/reviews"


def register(app: Flask, settings: Settings, reviewing: Reviewing) -> None:
    """Add the route."""
    routes = Blueprint("reviews", __name__)

    @routes.post(ROUTE)
    def review() -> Response:
        # The order of refusals is part of the contract: 415, 406, 413, 400, 422.
        # Who calls, and how often, has been asked before (service.api.access).
        media_type = negotiation.taken(request, *MEDIA_TYPES)
        wanted = negotiation.given(request, *answers.REVIEWS)
        g.from_bundle = media_type == FHIR
        g.as_outcome = FHIR in (media_type, wanted)
        body = request_body.read_body(request, reviewing.capacity, settings.max_body_bytes, settings.body_seconds)
        values = query.parameters(request, *query.OF_A_REVIEW, "resources")
        chosen = _representation(wanted, query.flag(values, "resources"))
        book = reviewing.pipeline.rulebook
        made = reviewing.review(
            body,
            media_type,
            reviewing.profile(values),
            lambda found, look: chosen.render(found, book, look),
            query.wanted(values, full=chosen.full),
        )
        return answers.answer(chosen, made)

    app.register_blueprint(routes)


def _representation(media_type: str, resources: bool) -> answers.Representation:
    """Refusal 400 where resources are asked for in an answer that cannot hold them."""
    if not resources:
        return answers.REVIEWS[media_type]
    if media_type != FHIR:
        wrong = ProblemItem("needs-fhir", f"Only with Accept: {FHIR}.", parameter="resources")
        raise Refusal("bad-query", [wrong])
    return answers.WITH_RESOURCES
