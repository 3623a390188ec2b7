"""Log lines as JSON on standard error, with a closed list of fields.

An episode is health information, so nothing of a request is ever written: no
path, query, body, header or text of an exception. A field that is not on the
list raises, so a leak fails in the tests and not in somebody's log store.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from contextlib import suppress
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from types import FrameType, TracebackType

FIELDS = frozenset({
    # of a request
    "route", "method", "status", "code", "duration_ms", "bytes_in", "bytes_out", "client", "trace", "parent",
    # of a crash
    "exception", "place",
    # of the server
    "address", "worker", "exit_code", "signal", "reason", "setting", "ruleset", "digest",
    # of an evaluation
    "rules",
})  # fmt: skip

Value = str | int | float | None

_PACKAGE = Path(__file__).resolve().parents[1]
#: What a pipe keeps together, so that the lines of several processes do not mix. Longer values are cut.
LONGEST_LINE = 4096
_CUT = 1000
_LEVELS = {"debug": 10, "info": 20, "warning": 30, "error": 40}

# A line is one call of the system, and there is no lock that a fork or a signal could find taken. ``logging`` would cost
# three times as much of every request.
_write: Callable[[bytes], object] = partial(os.write, 2)
_least = _LEVELS["info"]


def configure(level: str, write: Callable[[bytes], object] | None = None) -> None:
    """Write lines of ``level`` (debug, info, warning, error) and above with ``write``, to standard error by default.

    ``write`` is given one whole line, at most ``LONGEST_LINE`` bytes.
    """
    global _write
    set_level(level)
    _write = write or partial(os.write, 2)


def set_level(level: str) -> None:
    """Write lines of this level and above from now on."""
    global _least
    _least = _LEVELS[level]


def emit(level: str, event: str, **fields: Value) -> None:
    """Write one line; those that are None are left out. Raises ValueError for a field that is not on the list."""
    if not fields.keys() <= FIELDS:
        raise ValueError("a field is not on the list of log fields")
    if _LEVELS[level] < _least:
        return
    line: dict[str, Value] = {
        "time": datetime.now(UTC).isoformat(timespec="milliseconds"),
        "level": level,
        "pid": os.getpid(),
        "event": event,
    }
    line.update((name, value) for name, value in fields.items() if value is not None)
    # A line that cannot be written (a full disk, a pipe nobody reads) is lost.
    with suppress(OSError):
        _write(_written(line))


def _written(line: dict[str, Value]) -> bytes:
    text = json.dumps(line).encode()
    if len(text) >= LONGEST_LINE:
        cut = {
            name: f"{value[:_CUT]}..." if isinstance(value, str) and len(value) > _CUT else value
            for name, value in line.items()
        }
        text = json.dumps(cut).encode()
    return text + b"\n"


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
