"""What can be wrong with a request, as data: every layer raises it, the API turns it into RFC 9457."""

from __future__ import annotations

from dataclasses import dataclass


def pointer_order(pointer: str) -> tuple[tuple[int, int, str], ...]:
    """Sort key of a pointer: by its parts, numbers as numbers."""
    return tuple((0, int(p), "") if p.isdigit() else (1, 0, p) for p in pointer.split("/")[1:])


#: At most this many places are reported for one request.
MOST_ERRORS = 50


@dataclass(frozen=True, slots=True)
class ProblemItem:
    """One place that is wrong; fixed text only.

    ``pointer`` (RFC 6901, into the body), ``parameter`` (of the query) or
    ``location`` (XPath with the prefix ``nem``, into an XML body).
    """

    code: str
    detail: str
    pointer: str | None = None
    parameter: str | None = None
    location: str | None = None


class Rejected(Exception):
    """The request cannot be read. ``status`` 400 (not well-formed) or 422 (well-formed, not an episode).

    The exception's own text is the stable ``code`` and nothing else, so that
    it may appear in a log.
    """

    def __init__(self, status: int, code: str, errors: list[ProblemItem] | None = None) -> None:
        super().__init__(code)
        found = errors or []
        self.status = status
        self.code = code
        self.errors = tuple(found[:MOST_ERRORS])
        self.omitted = max(0, len(found) - MOST_ERRORS)
