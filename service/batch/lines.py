"""One line in, one line out: what the route for batches, the command and a cluster all use.

A line is one JSON episode, or one FHIR Bundle, without a line break inside it.
Empty lines (white space only) are counted and get no answer. A NEMSIS document
has charts in place of lines: each is answered as the line of its number.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import partial
from typing import Any, BinaryIO, NamedTuple, NoReturn

import orjson

from service import __version__
from service.checkpoint import Checkpoint, never
from service.engine.fence import NotEvaluated
from service.formats.media_types import media_type_of
from service.formats.nemsis.read import ReadChart
from service.pipeline import API_VERSION, Pipeline, UnknownProfile
from service.problems import PROBLEMS, ProblemItem, Rejected, known_code, problem_document
from service.review.build import AT_CLOSING, Review, Wanted
from service.review.ruleset import versions as versions_of

#: Longest line that is read, in bytes: as long as one request body may be by default.
MOST_BYTES = 8 * 1024 * 1024
#: A line; a chart of a document, read when it is called; None for a line that was too long to be read.
Source = bytes | ReadChart | None
_WHITE = b" \t\r\n"
_SKIP = 1024 * 1024


class Answer(NamedTuple):
    """What became of one line: ``review`` when ``status`` is 200, else ``problem``."""

    number: int
    status: int
    review: Review | None
    problem: dict[str, Any] | None

    @property
    def code(self) -> str:
        """The stable code of the problem, empty for a review."""
        return "" if self.problem is None else str(self.problem["code"])

    def document(self) -> dict[str, Any]:
        """The answer as JSON data, in the shape of the contract."""
        if self.review is not None:
            return {"line": self.number, "status": self.status, "review": self.review.document}
        return {"line": self.number, "status": self.status, "problem": self.problem}


def refused(number: int, code: str, errors: Sequence[ProblemItem] = (), omitted: int = 0) -> Answer:
    """The answer for a line without a review: the problem (RFC 9457) that a single request would get."""
    return Answer(number, PROBLEMS[code].status, None, problem_document(code, errors, omitted))


def charts(pipeline: Pipeline, document: bytes, media_type: str) -> list[ReadChart]:
    """A function for every chart of a document; for one that cannot be read, a single function that raises its Rejected."""
    try:
        return pipeline.read_all(document, media_type)
    except Rejected as rejected:
        return [partial(_refuse, rejected)]


def _refuse(rejected: Rejected, _checkpoint: Checkpoint) -> NoReturn:
    raise rejected


def answer(
    pipeline: Pipeline,
    line: Source,
    number: int,
    profile: str,
    wanted: Wanted = AT_CLOSING,
    checkpoint: Checkpoint = never,
) -> Answer:
    """Review one line or chart. Raises UnknownProfile and nothing else.

    503 (``not-evaluated``): the engine did not finish. 500 (``internal-error``):
    a fault of ours; the line counts as not evaluated, and the rest goes on.
    """
    if line is None:
        return refused(number, "body-too-large")
    try:
        if isinstance(line, bytes):
            found = pipeline.review(line, media_type_of(line), profile, wanted, checkpoint)
        else:
            found = pipeline.review_chart(line(checkpoint), profile, wanted, checkpoint)
        return Answer(number, 200, found, None)
    except UnknownProfile:
        raise
    except Rejected as rejected:
        return refused(number, known_code(rejected.code, rejected.status), rejected.errors, rejected.omitted)
    except NotEvaluated:
        return refused(number, "not-evaluated")
    except Exception:  # noqa: BLE001 - becomes the answer of the line; its text can quote the record, so it goes no further
        return refused(number, "internal-error")


def render(found: Answer) -> bytes:
    """An answer as one line of JSON in UTF-8, without the line break."""
    return orjson.dumps(found.document())


def is_empty(line: bytes | None) -> bool:
    """Whether a line holds white space only."""
    return line is not None and not line.strip(_WHITE)


def split(body: bytes) -> Iterator[tuple[int, bytes]]:
    """(line number from 1, line) of every line of a body that is not empty."""
    for number, line in enumerate(body.split(b"\n"), 1):
        if not is_empty(line):
            yield number, line


def read(stream: BinaryIO, most: int = MOST_BYTES) -> Iterator[tuple[bytes | None, int]]:
    """(line with its line break, or None for one longer than ``most`` bytes; its length in bytes) of every line from here on.

    Never holds more than one line of ``most`` bytes in memory.
    """
    while True:
        line = stream.readline(most + 1)
        if not line:
            return
        length = len(line)
        if line.endswith(b"\n") or length <= most:
            yield line, length
            continue
        while part := stream.readline(_SKIP):
            length += len(part)
            if part.endswith(b"\n"):
                break
        yield None, length


def versions(pipeline: Pipeline, profile: str) -> dict[str, str]:
    """The ``versions`` of every review under this profile. Raises UnknownProfile."""
    book = pipeline.rulebook
    if profile not in pipeline.served:
        raise UnknownProfile
    return versions_of(book, book.profiles[profile], __version__, API_VERSION)
