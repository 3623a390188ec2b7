"""The bare route to measure against: parses the same body and returns the same number of bytes."""

from __future__ import annotations

import os

from flask import Flask, Response, request

app = Flask(__name__)
_ANSWERS = {
    "60": b"x" * int(os.environ.get("BARE_BYTES_60", "0")),
    "300": b"x" * int(os.environ.get("BARE_BYTES_300", "0")),
}


@app.post("/v1/reviews")
def bare() -> Response:
    """Read the body as JSON and answer with the size of a review."""
    body = request.get_json()
    return Response(
        _ANSWERS["60" if body["episode_ref"].startswith("bench-60") else "300"], mimetype="application/json"
    )


@app.get("/health/ready")
def ready() -> Response:
    """Always."""
    return Response(b"{}", mimetype="application/json")
