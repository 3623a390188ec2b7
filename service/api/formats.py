"""``GET /v1/formats``: what can be sent in which format, and where everything stands in it."""

from __future__ import annotations

from flask import Blueprint, Flask, Response, request

from service.episode.pointers import member_paths
from service.formats.nemsis.mapping import shipped_directory
from service.pages import formats as formats_page
from service.problems import ProblemItem
from service.representations import formats_document
from service.resources import demo_directory, examples_directory
from service.rulebook.judging import judged_by
from service.rulebook.load import Rulebook

from . import query
from .documents import Document, with_page
from .problems import Refusal

ROUTE = "/v1/formats"


def register(app: Flask, rulebook: Rulebook) -> None:
    """Add the route; both documents are written here, once."""
    routes = Blueprint("formats", __name__)
    said = formats_document.document(examples(), judged_by(rulebook, (path for path, _ in member_paths())))
    whole = Document.of_json(said)
    page = Document.of_page(formats_page.render(said))
    sections = formats_page.sections_of(said["members"])

    @routes.get(ROUTE)
    def all_formats() -> Response:
        section = query.parameters(request, "section").get("section")
        if section is None:
            return with_page(request, whole, page)
        if section not in sections:
            known = ", ".join(sections)
            raise Refusal("bad-query", [ProblemItem("unknown-value", f"Known values: {known}.", parameter="section")])
        return with_page(
            request,
            Document.of_json({**said, "members": sections[section]}),
            Document.of_page(formats_page.render_section(said, section)),
        )

    app.register_blueprint(routes)


def examples() -> formats_document.Examples:
    """The documents of the service's own that the page is made from."""
    folder = examples_directory()
    return formats_document.Examples(
        episodes=tuple((demo_directory() / f"{name}.json").read_bytes() for name in ("exemplary", "everything-wrong")),
        fhir=(folder / "plain-fhir.json").read_bytes(),
        nemsis=(folder / "plain-nemsis.xml").read_bytes(),
        custom=(folder / "custom-nemsis.xml").read_bytes(),
        mapping=(shipped_directory() / "few-elements.yaml").read_bytes(),
    )
