"""Log lines as JSON on standard error, with a closed list of fields.

An episode is health information, so nothing of a request is ever written: no
path, query, body, header or text of an exception. A field that is not on the
list raises, so a leak fails in the tests and not in somebody's log store.
"""

from __future__ import annotations

import json
import logging
import sys
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from types import FrameType, TracebackType
from typing import TextIO

FIELDS = frozenset(
    {
        # of a request
        "route",
        "method",
        "status",
        "code",
        "duration_ms",
        "bytes_in",
        "bytes_out",
        "client",
        "trace",
        "parent",
        # of a crash
        "exception",
        "place",
        # of the server
        "address",
        "worker",
        "exit_code",
        "signal",
        "reason",
        "setting",
        "ruleset",
        "digest",
        # of an evaluation
        "rules",
    }
)

Value = str | int | float | None

_PACKAGE = Path(__file__).resolve().parents[1]
_logger = logging.getLogger("restraint_review")
_logger.propagate = False
# A line that cannot be written (a full disk, a pipe nobody reads) is lost; it must not become a text about itself.
logging.raiseExceptions = False


class _JsonLines(logging.Formatter):
    """One object a line, built from our own fields alone: the record's message and arguments are never used twice."""

    def format(self, record: logging.LogRecord) -> str:
        line: dict[str, object] = {
            "time": datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds"),
            "level": record.levelname.lower(),
            "pid": record.process,
            "event": record.msg,
        }
        fields: Mapping[str, Value] = getattr(record, "fields", {})
        line.update({name: value for name, value in fields.items() if value is not None})
        return json.dumps(line, ensure_ascii=True)


def configure(level: str, stream: TextIO | None = None) -> None:
    """Write lines of ``level`` (debug, info, warning, error) and above to ``stream``, standard error by default."""
    handler = logging.StreamHandler(stream or sys.stderr)
    handler.setFormatter(_JsonLines())
    _logger.handlers[:] = [handler]
    _logger.setLevel(level.upper())


def emit(level: str, event: str, **fields: Value) -> None:
    """Write one line. Raises ValueError for a field that is not on the list."""
    unknown = fields.keys() - FIELDS
    if unknown:
        raise ValueError("a field is not on the list of log fields")
    _logger.log(logging.getLevelNamesMapping()[level.upper()], event, extra={"fields": fields})


def crash(event: str, error: BaseException | None) -> None:
    """Write that something failed: the class and the place, never the text, which may quote the record."""
    emit(
        "error",
        event,
        exception=type(error).__name__ if error else None,
        place=place_of(error.__traceback__) if error else None,
    )


def place_of(trace: TracebackType | None) -> str | None:
    """``service/<file>:<line>`` of the innermost frame in this package, or None."""
    found = None
    while trace is not None:
        path = Path(trace.tb_frame.f_code.co_filename)
        if path.is_relative_to(_PACKAGE):
            found = f"service/{path.relative_to(_PACKAGE)}:{trace.tb_lineno}"
        trace = trace.tb_next
    return found


def line_of(frame: FrameType) -> str:
    """``<file>:<line>`` of a frame of the server, for messages whose text is not written."""
    return f"{Path(frame.f_code.co_filename).name}:{frame.f_lineno}"
