"""``GET /v1/facts``: every kind of fact and its attributes, for whoever writes rules."""

from __future__ import annotations

from flask import Blueprint, Flask, Response, request

from service.rulebook import catalogue
from service.rulebook.load import Rulebook

from . import query
from .documents import Document

ROUTE = "/v1/facts"


def register(app: Flask, rulebook: Rulebook) -> None:
    """Add the route; the document is written here, once."""
    routes = Blueprint("facts", __name__)
    whole = Document.of_json(catalogue.facts_document(rulebook))

    @routes.get(ROUTE)
    def facts() -> Response:
        query.parameters(request)
        return whole.answer(request)

    app.register_blueprint(routes)
