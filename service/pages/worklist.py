"""The worklist as a page: which chart first, what is worst in it, what is still to be asked, and the way to its page."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from service.review.build import CAUTIONS
from service.wording.headings import count, sentence

from . import html

#: Rows of one page: more make it slow to read and to open. The table beside it has them all.
MOST = 250


def render(document: Mapping[str, Any]) -> bytes:
    """The page in UTF-8. ``document``: of ``batch.worklist``."""
    shown = [_shown(row) for row in document["charts"][:MOST]]
    read = [row for row in shown if not row["problem"]]
    parts = [
        ("new", "New", [row for row in read if row["new"]]),
        ("earlier", "From earlier files", [row for row in read if not row["new"]]),
    ]
    return html.page(
        "worklist.html",
        document=document,
        unread=[row for row in shown if row["problem"]],
        parts=[part for part in parts if part[2]],
        beyond=len(document["charts"][MOST:]),
        cautions=CAUTIONS,
        count=count,
        sentence=sentence,
    )


def _shown(row: Mapping[str, Any]) -> dict[str, Any]:
    # An apostrophe keeps a spreadsheet from running a cell as a formula; a page has no such need.
    return {name: value.removeprefix("'") if isinstance(value, str) else value for name, value in row.items()}
