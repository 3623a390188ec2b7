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
        values = query.parameters(request, *query.OF_A_REVIEW, *query.OF_A_PAGE, "resources")
        chosen = _representation(settings, wanted, values)
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


def _representation(settings: Settings, media_type: str, values: dict[str, str]) -> answers.Representation:
    """Refusal 400 where something is asked for that the answer cannot hold."""
    resources, view = query.flag(values, "resources"), query.view(values)
    wrong = []
    if resources and media_type != FHIR:
        wrong.append(ProblemItem("needs-fhir", f"Only with Accept: {FHIR}.", parameter="resources"))
    if media_type != answers.HTML:
        asked = [name for name in query.OF_A_PAGE if name in values]
        wrong += [ProblemItem("needs-html", f"Only with Accept: {answers.HTML}.", parameter=name) for name in asked]
    if wrong:
        raise Refusal("bad-query", wrong)
    if resources:
        return answers.WITH_RESOURCES
    return answers.page(settings, view) if media_type == answers.HTML else answers.DATA[media_type]
