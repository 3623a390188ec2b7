"""``GET /v1/facts``: every kind of fact and its attributes, for whoever writes rules; for a browser a page."""

from __future__ import annotations

from flask import Blueprint, Flask, Response, request

from service.pages import facts as facts_page
from service.rulebook import catalogue
from service.rulebook.load import Rulebook

from . import query
from .documents import Document, with_page

ROUTE = "/v1/facts"


def register(app: Flask, rulebook: Rulebook) -> None:
    """Add the route; both documents are written here, once."""
    routes = Blueprint("facts", __name__)
    whole = Document.of_json(catalogue.facts_document(rulebook))
    page = Document.of_page(facts_page.render(rulebook))

    @routes.get(ROUTE)
    def facts() -> Response:
        query.parameters(request)
        return with_page(request, whole, page)

    app.register_blueprint(routes)
