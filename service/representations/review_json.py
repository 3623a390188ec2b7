"""A review as JSON."""

from __future__ import annotations

import orjson

from service.review.build import Review


def render(review: Review) -> bytes:
    """The review in UTF-8, members in the order of the contract."""
    return orjson.dumps(review.document)
