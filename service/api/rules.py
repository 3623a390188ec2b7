"""``GET /v1/rules`` and ``/v1/rules/{id or name}``: the rulebook as data."""

from __future__ import annotations

from flask import Blueprint, Flask, Response, request

from service.pages import html
from service.pages import rulebook as rulebook_page
from service.problems import ProblemItem
from service.rulebook import catalogue
from service.rulebook.load import Rulebook

from . import query
from .documents import Document, with_page
from .problems import Refusal

ROUTE = "/v1/rules"


def register(app: Flask, rulebook: Rulebook) -> None:
    """Add the routes; every document is written here, once."""
    routes = Blueprint("rules", __name__)
    whole = Document.of_json(catalogue.rules_document(rulebook))
    page = Document.of_page(rulebook_page.render(rulebook))
    single: dict[str, Document] = {}
    for each in rulebook.rules:
        single[each.id] = single[each.name] = Document.of_json(catalogue.rule_document(rulebook, each.id))
    words = catalogue.words_of(rulebook)

    @routes.get(ROUTE)
    def rules() -> Response:
        # A form sends what nobody chose as an empty value.
        chosen = {name: word for name, word in query.parameters(request, *catalogue.FILTERS).items() if word}
        if not chosen:
            return with_page(request, whole, page, html.FORM_POLICY)
        for name, word in chosen.items():
            if word not in words[name]:
                known = ", ".join(words[name])
                raise Refusal("bad-query", [ProblemItem("unknown-value", f"Known values: {known}.", parameter=name)])
        return with_page(
            request,
            Document.of_json(catalogue.rules_document(rulebook, chosen)),
            Document.of_page(rulebook_page.render(rulebook, chosen)),
            html.FORM_POLICY,
        )

    @routes.get(f"{ROUTE}/<key>")
    def rule(key: str) -> Response:
        query.parameters(request)
        target = rulebook.redirects.get(key)
        if target is not None:
            response = Response(status=308, headers={"Location": f"{ROUTE}/{target}", "Cache-Control": "no-cache"})
            del response.headers["Content-Type"]
            return response
        found = rulebook.find(key)
        if found is None:
            raise Refusal("not-found")
        of_rule = Document.of_page(rulebook_page.render_rule(rulebook, found))
        return with_page(request, single[key], of_rule)

    app.register_blueprint(routes)
