"""What is where, when health and metrics have a port of their own."""

from __future__ import annotations

from flask import Flask, request

from service.settings import Settings

from .problems import Refusal

_HEALTH = frozenset({"/health/live", "/health/ready"})
_METRICS = "/metrics"


def register(app: Flask, settings: Settings) -> None:
    """With ``operations_port``: metrics are there and nowhere else, health is on both, all else on the first."""
    if settings.operations_port is None:
        return
    second = str(settings.operations_port)

    @app.before_request
    def is_here() -> None:
        if request.url_rule is None:
            return
        route = request.url_rule.rule
        # The port the connection came to, as the server knows it; nothing the caller says.
        on_second = request.environ.get("SERVER_PORT") == second
        if route not in _HEALTH and (route == _METRICS) != on_second:
            raise Refusal("not-found")
