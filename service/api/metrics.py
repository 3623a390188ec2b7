"""``GET /metrics``: numbers for Prometheus, of all workers."""

from __future__ import annotations

from flask import Blueprint, Flask, Response, request

from service.observe import metrics

from . import negotiation, query


def register(app: Flask) -> None:
    """Add the route."""
    routes = Blueprint("metrics", __name__)

    @routes.get("/metrics")
    def numbers() -> Response:
        query.parameters(request)
        # A scraper asks for formats of its own first and takes any; there is this one.
        negotiation.given(request, "text/plain")
        return Response(metrics.exposition(), content_type=metrics.MEDIA_TYPE, headers={"Cache-Control": "no-store"})

    app.register_blueprint(routes)
