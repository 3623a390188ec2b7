"""The caller's trace context (W3C Trace Context), for the log and for nothing else: the service calls nobody."""

from __future__ import annotations

import re

# Version 00 exactly; later versions may have more after the flags (section 3.2.4 of the recommendation).
_TRACEPARENT = re.compile(r"(?!ff)([0-9a-f]{2})-(?!0{32})([0-9a-f]{32})-(?!0{16})([0-9a-f]{16})-[0-9a-f]{2}(-.*)?")


def ids(traceparent: str) -> tuple[str, str] | None:
    """(trace id, parent id) of a ``traceparent`` header; None for one that does not follow the recommendation."""
    found = _TRACEPARENT.fullmatch(traceparent)
    if found is None or (found[1] == "00" and found[4]):
        return None
    return found[2], found[3]
