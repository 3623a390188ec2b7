"""Documents that do not change while the service runs: written once at the start, told apart by digest."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass

from flask import Request, Response

from service.pages import html

from . import negotiation

JSON = "application/json"
YAML = "application/yaml"
HTML = "text/html"


@dataclass(frozen=True, slots=True)
class Document:
    """A body with its media type and entity tag."""

    body: bytes
    media_type: str
    etag: str

    @classmethod
    def of(cls, body: bytes, media_type: str) -> Document:
        """Take the entity tag from the body: the same bytes have the same tag in every process."""
        return cls(body, media_type, hashlib.sha256(body).hexdigest())

    @classmethod
    def of_json(cls, value: object) -> Document:
        """Write ``value`` as JSON, members in the order given."""
        return cls.of(json.dumps(value, ensure_ascii=False, separators=(",", ":")).encode(), JSON)

    @classmethod
    def of_page(cls, body: bytes) -> Document:
        """Take a page that is written."""
        return cls.of(body, html.MEDIA_TYPE)

    def answer(self, request: Request, offered: str = "") -> Response:
        """200, or 304 when the caller has it already. ``offered``: the media type without parameters. Refusal 406."""
        negotiation.given(request, offered or self.media_type)
        # contains_weak: If-None-Match compares weakly (RFC 9110, section 13.1.2).
        held = request.if_none_match.contains_weak(self.etag)
        response = Response(status=304) if held else Response(self.body, content_type=self.media_type)
        if held:
            del response.headers["Content-Type"]
        response.set_etag(self.etag)
        response.headers["Cache-Control"] = "no-cache"
        return response


def with_page(request: Request, data: Document, page: Document, policy: str = html.READ_POLICY) -> Response:
    """``data``, or the same as a page for whoever asks for one. Refusal 406."""
    if negotiation.given(request, data.media_type, HTML) == HTML:
        response = page.answer(request, HTML)
        response.headers["Content-Security-Policy"] = policy
    else:
        response = data.answer(request)
    response.headers["Vary"] = "Accept"
    return response
