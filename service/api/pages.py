"""``GET /`` and ``POST /try``: the start page, and a review for somebody at a browser."""

from __future__ import annotations

import io
import json

from flask import Blueprint, Flask, Response, g, request
from werkzeug.exceptions import HTTPException
from werkzeug.formparser import FormDataParser

from service.formats.media_types import NAMES, media_type_of
from service.pages import html
from service.pages import start as start_page
from service.pages.review import View
from service.pipeline import MEDIA_TYPES
from service.problems import PROBLEMS, ProblemItem
from service.resources import demo_directory
from service.review.build import Wanted
from service.settings import Settings

from . import answers, negotiation, query, request_body
from .documents import HTML, JSON
from .problems import Refusal
from .reviewing import Reviewing

FORM = "multipart/form-data"
#: The choice that leaves the format to the content of the file.
_BY_CONTENT = ("", "By its content")
#: Parts of a form: five fields, and room for what a browser adds.
_MOST_PARTS = 10


def register(app: Flask, settings: Settings, reviewing: Reviewing) -> None:
    """Add the routes; the start page is made here, once."""
    routes = Blueprint("pages", __name__)
    book = reviewing.pipeline.rulebook
    index = json.loads((demo_directory() / "index.json").read_text("utf-8"))
    demos = [start_page.Demo(each["file"].removesuffix(".json"), each["title"], each["story"]) for each in index]
    bodies = {demo.name: (demo_directory() / f"{demo.name}.json").read_bytes() for demo in demos}
    chosen = answers.page(settings, View())
    formats = [_BY_CONTENT, *NAMES.items()]

    def page(status: int, wrong: start_page.Wrong | None = None) -> Response:
        content = start_page.render(book, demos, formats, reviewing.pipeline.served, settings.default_profile, wrong)
        # Nobody may frame a page that has buttons.
        policy = f"{html.FORM_POLICY}; frame-ancestors 'none'"
        headers = {"Cache-Control": "no-store", "Content-Security-Policy": policy}
        return Response(content, status, headers, content_type=html.MEDIA_TYPE)

    @routes.get("/")
    def start() -> Response:
        query.parameters(request)
        negotiation.given(request, HTML)
        return page(200)

    @routes.post(start_page.ACTION)
    def try_it() -> Response:
        negotiation.taken(request, FORM)
        negotiation.given(request, HTML)
        # A form is a little larger than the file in it.
        body = request_body.read_body(request, reviewing.capacity, settings.max_body_bytes, settings.body_seconds)
        query.parameters(request)
        try:
            content, media_type, values = _read(body, bodies)
            made = reviewing.review(
                content,
                media_type,
                reviewing.profile(values),
                lambda found, look: chosen.render(found, book, look),
                Wanted(full=True),
            )
        except Refusal as refusal:
            g.code = refusal.code
            places = [(error.pointer or error.location or "", error.detail) for error in refusal.errors]
            problem = PROBLEMS[refusal.code]
            response = page(problem.status, start_page.Wrong(f"{problem.title}. {problem.detail}", places))
            response.headers.update(refusal.headers)
            return response
        return answers.answer(chosen, made)

    app.register_blueprint(routes)


def _read(body: bytes, demos: dict[str, bytes]) -> tuple[bytes, str, dict[str, str]]:
    """The episode, its media type and the profile of a form. Refusal 400."""
    # Held in memory: the parser's own way would write a large file to disk.
    parser = FormDataParser(lambda **_: io.BytesIO(), max_form_parts=_MOST_PARTS, silent=False)  # type: ignore[arg-type]
    try:
        _, fields, files = parser.parse(io.BytesIO(body), FORM, len(body), dict(request.mimetype_params))
    except (ValueError, HTTPException):
        raise Refusal("bad-form") from None
    values = {"profile": fields[start_page.PROFILE]} if start_page.PROFILE in fields else {}
    if start_page.DEMO in fields:
        if fields[start_page.DEMO] not in demos:
            raise Refusal("bad-form", [ProblemItem("unknown-demo", "No demo episode has this name.")])
        return demos[fields[start_page.DEMO]], JSON, values
    chosen = fields.get(start_page.FORMAT, "")
    if start_page.FILE not in files or (chosen and chosen not in MEDIA_TYPES):
        raise Refusal("bad-form", [ProblemItem("no-file", "Choose a file and its format.")])
    content = files[start_page.FILE].read()
    return content, chosen or media_type_of(content), values
