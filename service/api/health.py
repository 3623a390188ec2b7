"""``/health/live`` and ``/health/ready``: whether the process answers, and whether it reviews."""

from __future__ import annotations

from flask import Blueprint, Flask, Response, request

from . import negotiation
from .documents import JSON
from .problems import Refusal


def register(app: Flask, ready: bool) -> None:
    """Add the routes. ``ready``: every rule has passed its own examples in this process."""
    routes = Blueprint("health", __name__)

    @routes.get("/health/live")
    def live() -> Response:
        return _says("live")

    @routes.get("/health/ready")
    def is_ready() -> Response:
        if not ready:
            raise Refusal("not-ready", headers={"Retry-After": "1"})
        return _says("ready")

    app.register_blueprint(routes)


def _says(status: str) -> Response:
    negotiation.given(request, JSON)
    return Response(f'{{"status":"{status}"}}', content_type=JSON, headers={"Cache-Control": "no-store"})
