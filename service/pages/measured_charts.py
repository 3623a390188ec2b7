"""The charts behind each rate, beside the page of measures: of every measure the first that count against it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from service.wording.headings import count

from . import html


def render(document: Mapping[str, Any], charts: Mapping[str, Sequence[Mapping[str, Any]]]) -> bytes:
    """The page in UTF-8. ``document``: the measures; ``charts``: by measure, each with file, line, reference, day and page."""
    sections = []
    for measure in document["measures"]:
        against = measure["numerator"] if measure["good"] == "fewer" else measure["denominator"] - measure["numerator"]
        if against:
            sections.append((measure, charts[measure["id"]], against))
    return html.page("measured_charts.html", sections=sections, count=count, document=document)
