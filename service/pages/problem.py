"""One problem as a page: what it means, what to do, whether to send again."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from . import html

_SEND_AGAIN = {
    "never": "Do not send the same request again: the answer would be the same.",
    "later": "Send the same request again once, after as many seconds as Retry-After says. A review changes nothing, so that is safe.",
    "once": "Send the same request again once, after a second. A review changes nothing, so that is safe.",
}


def render(guide: Mapping[str, Any], places: Sequence[tuple[str, str]] | None = None) -> bytes:
    """The page in UTF-8. ``guide``: as ``ProblemGuide`` of the contract; ``places``: (where, what is wrong there) of the request
    that is refused, None where nobody asked for anything: only a refusal takes the focus."""
    return html.page("problem.html", guide=guide, places=places, send_again=_SEND_AGAIN[str(guide["send_again"])])
