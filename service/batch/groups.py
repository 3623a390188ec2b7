"""The group that a caller gives an episode: a station, a unit, a shift.

It stands in ``extensions``, so that a line of a batch is an episode like any
other and can be sent to ``/v1/reviews`` as it is.
"""

from __future__ import annotations

import re

import orjson

_GROUP = re.compile(r"[A-Za-z0-9._-]{1,64}")


def group_of(line: bytes) -> str | None:
    """The group in ``{"extensions": {"group": "station-4"}}`` at the top of an episode, which could be read.

    None where there is none; "" for one that is not 1 to 64 letters, digits,
    dots, underscores and hyphens.
    """
    if b'"extensions"' not in line:
        return None
    found = orjson.loads(line).get("extensions")
    group = found.get("group") if isinstance(found, dict) else None
    if group is None:
        return None
    return group if isinstance(group, str) and _GROUP.fullmatch(group) else ""
