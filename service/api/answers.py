"""How a review is answered: one entry for each media type that can be asked for."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

from flask import Response

from service.formats.media_types import FHIR
from service.pages import review as review_page
from service.pages.review import View
from service.representations import operation_outcome, review_json, svrl
from service.review.build import Review
from service.rulebook.load import Rulebook
from service.settings import Settings

Checkpoint = Callable[[], None]


@dataclass(frozen=True, slots=True)
class Representation:
    """``content_type`` and ``headers`` of the answer; ``render`` makes its body. ``full``: it tells reasons and sources."""

    content_type: str
    render: Callable[[Review, Rulebook, Checkpoint], bytes]
    full: bool = True
    headers: Mapping[str, str] = field(default_factory=dict)


#: With ``resources=true``: in place of the OperationOutcome a Bundle that holds it.
WITH_RESOURCES = Representation(FHIR, lambda review, _, look: operation_outcome.render_resources(review, look))
#: Media type -> how, the page aside (``page``). The first is given to a caller that does not ask.
DATA: dict[str, Representation] = {
    "application/json": Representation(
        "application/json", lambda review, _, __: review_json.render(review), full=False
    ),
    FHIR: Representation(FHIR, lambda review, _, look: operation_outcome.render(review, look)),
    "application/xml": Representation("application/xml", lambda review, _, look: svrl.render(review, look)),
}
HTML = "text/html"
#: Every media type of a review.
REVIEWS = (*DATA, HTML)


def page(settings: Settings, view: View) -> Representation:
    """A review as a page, or a part of it. Only the origins of ``FRAME_ANCESTORS`` may show it in a frame."""
    rules = f"{settings.base_url or ''}/v1/rules/" if settings.base_url or not view.part else ""
    view = replace(view, link=settings.link_template or "", rules=rules)
    ancestors = " ".join(settings.frame_ancestors) or "'none'"
    return Representation(
        review_page.PARTS[view.part] if view.part else review_page.MEDIA_TYPE,
        lambda review, book, look: review_page.render(review, book, look, view),
        headers={"Content-Security-Policy": f"{review_page.POLICY}; frame-ancestors {ancestors}"},
    )


def answer(chosen: Representation, body: bytes) -> Response:
    """The body that one of these has made."""
    headers = {"Cache-Control": "no-store", **chosen.headers}
    return Response(body, headers=headers, content_type=chosen.content_type)
