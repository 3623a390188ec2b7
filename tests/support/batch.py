"""Lines reviewed, measured and compared one after the other in this process: what runs in several are held against."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from service.batch import compare, lines, measures
from service.batch.definitions import measures_of
from service.batch.tally import Tally
from service.pipeline import Pipeline
from service.review.build import AT_CLOSING, Wanted


def review_line(
    pipeline: Pipeline, line: bytes | None, number: int, profile: str = "default", wanted: Wanted = AT_CLOSING
) -> bytes:
    """The answer of one line as JSON, without the line break."""
    return lines.render(lines.answer(pipeline, line, number, profile, wanted))


def measured_lines(pipeline: Pipeline, given: Iterable[bytes], look: measures.Look | None = None) -> dict[str, Any]:
    """The measures of every line that is not empty."""
    look = look or measures.Look()
    wanted = measures_of(pipeline.rulebook)
    tally = Tally(wanted)
    for number, line in enumerate(given, 1):
        if not lines.is_empty(line):
            measures.count(pipeline, tally, wanted, line, number, "default", look.period)
    return measures.document(tally, wanted, lines.versions(pipeline, "default"), look)


def compared(left: compare.Side, right: compare.Side, given: Iterable[bytes]) -> dict[str, Any]:
    """The comparison over every line that is not empty."""
    tally = compare.Tally()
    for number, line in enumerate(given, 1):
        if not lines.is_empty(line):
            answers = (lines.answer(pipeline, line, number, profile) for pipeline, profile in (left, right))
            tally.add(*answers, 0)
    return compare.document(tally, left, right, [""])
