"""``POST /v1/reviews``: one episode in, one review out."""

from __future__ import annotations

from flask import Blueprint, Flask, Response, request

from service.api import limits, negotiation, query
from service.api.documents import JSON
from service.api.problems import Refusal, known_code
from service.engine.fence import NotEvaluated
from service.observe import log
from service.pipeline import Pipeline, UnknownProfile
from service.presentation import json_review
from service.problems import ProblemItem, Rejected
from service.settings import Settings

ROUTE = "/v1/reviews"


def register(app: Flask, settings: Settings, pipeline: Pipeline, ready: bool) -> None:
    """Add the route. Not ``ready``: every request that could be reviewed is answered 503."""
    routes = Blueprint("reviews", __name__)

    @routes.post(ROUTE)
    def review() -> Response:
        # The order of refusals is part of the contract: 415, 406, 413, 400, 422.
        # Who calls and how often would be asked here, before the first of them.
        media_type = negotiation.taken(request, JSON)
        negotiation.given(request, JSON)
        body = limits.read_body(request, settings.max_body_bytes)
        values = query.parameters(request, "profile", "explain")
        explain = query.flag(values, "explain")
        if not ready:
            raise Refusal("not-ready", headers={"Retry-After": "1"})
        try:
            found = pipeline.review(body, media_type, values.get("profile", settings.default_profile), explain)
        except Rejected as rejected:
            code = known_code(rejected.code, rejected.status)
            raise Refusal(code, rejected.errors, rejected.omitted) from None
        except UnknownProfile:
            wrong = ProblemItem("unknown-profile", "No profile has this id.", parameter="profile")
            raise Refusal("unknown-profile", [wrong]) from None
        except NotEvaluated:
            raise Refusal("not-evaluated", headers={"Retry-After": "1"}) from None
        failed = [rule for rule, outcome in found.outcomes.items() if outcome == "error"]
        if failed:
            log.emit("error", "rules-not-decided", rules=" ".join(failed))
        response = Response(json_review.render(found), content_type=JSON)
        response.headers["Cache-Control"] = "no-store"
        return response

    app.register_blueprint(routes)
