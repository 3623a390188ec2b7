"""``GET /v1/profiles`` and ``/v1/profiles/{id}``: what agencies have chosen."""

from __future__ import annotations

from flask import Blueprint, Flask, Response, request

from service.rulebook import catalogue
from service.rulebook.load import Rulebook

from . import query
from .documents import Document
from .problems import Refusal

ROUTE = "/v1/profiles"


def register(app: Flask, rulebook: Rulebook) -> None:
    """Add the routes; every document is written here, once."""
    routes = Blueprint("profiles", __name__)
    whole = Document.of_json(catalogue.profiles_document(rulebook))
    single = {id_: Document.of_json(catalogue.profile_document(rulebook, id_)) for id_ in rulebook.profiles}

    @routes.get(ROUTE)
    def profiles() -> Response:
        query.parameters(request)
        return whole.answer(request)

    @routes.get(f"{ROUTE}/<key>")
    def profile(key: str) -> Response:
        query.parameters(request)
        if key not in single:
            raise Refusal("not-found")
        return single[key].answer(request)

    app.register_blueprint(routes)
