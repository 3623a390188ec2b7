"""What schemathesis has to be told: how lines of JSON are written."""

from __future__ import annotations

from typing import Any

import schemathesis  # type: ignore[import-not-found,unused-ignore]


@schemathesis.serializer("application/x-ndjson")
def lines(_context: Any, value: Any) -> bytes:
    """Text as it is, else one JSON value on a line."""
    return value.encode("utf-8", "replace") if isinstance(value, str) else repr(value).encode()
