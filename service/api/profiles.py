"""``GET /v1/profiles`` and ``/v1/profiles/{id}``: what agencies have chosen."""

from __future__ import annotations

from flask import Blueprint, Flask, Response, request

from service.pipeline import Pipeline
from service.rulebook import catalogue

from . import query
from .documents import Document
from .problems import Refusal

ROUTE = "/v1/profiles"


def register(app: Flask, pipeline: Pipeline) -> None:
    """Add the routes; every document is written here, once."""
    routes = Blueprint("profiles", __name__)
    book = pipeline.rulebook
    whole = Document.of_json(catalogue.profiles_document(book, pipeline.served))
    single = {id_: Document.of_json(catalogue.profile_document(book, id_, pipeline.served)) for id_ in book.profiles}

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
