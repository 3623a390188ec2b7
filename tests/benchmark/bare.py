"""The bare route to measure against: parses the same body and returns the same number of bytes."""

from __future__ import annotations

import os

from flask import Flask, Response, request
from lxml import etree  # type: ignore[import-untyped,unused-ignore]

from service.settings import Settings

app = Flask(__name__)


def build(_settings: Settings) -> Flask:
    """The application."""
    return app


_PREFIX = "BARE_BYTES_"
_ANSWERS = {
    name.removeprefix(_PREFIX): b"x" * int(value) for name, value in os.environ.items() if name.startswith(_PREFIX)
}


@app.post("/v1/reviews")
def bare() -> Response:
    """Parse the body, as JSON with Flask's own reader or as XML, and answer with the size of a review."""
    if request.is_json:
        request.get_json()
    else:
        etree.fromstring(request.get_data())
    return Response(_ANSWERS[request.headers["X-Bodies"]], mimetype="application/json")


@app.get("/health/ready")
def ready() -> Response:
    """Always."""
    return Response(b"{}", mimetype="application/json")
