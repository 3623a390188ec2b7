"""How a review is answered: one entry for each media type that can be asked for."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from flask import Response

from service.formats.media_types import FHIR
from service.pages import review as review_page
from service.representations import operation_outcome, review_json, svrl
from service.review.build import Review
from service.rulebook.load import Rulebook

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
#: Media type -> how. The first is given to a caller that does not ask.
REVIEWS: dict[str, Representation] = {
    "application/json": Representation(
        "application/json", lambda review, _, __: review_json.render(review), full=False
    ),
    FHIR: Representation(FHIR, lambda review, _, look: operation_outcome.render(review, look)),
    "application/xml": Representation("application/xml", lambda review, _, look: svrl.render(review, look)),
    "text/html": Representation(
        review_page.MEDIA_TYPE, review_page.render, headers={"Content-Security-Policy": review_page.POLICY}
    ),
}


def answer(chosen: Representation, body: bytes) -> Response:
    """The body that one of these has made."""
    headers = {"Cache-Control": "no-store", **chosen.headers}
    return Response(body, headers=headers, content_type=chosen.content_type)
