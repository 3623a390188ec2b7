"""The service, or the bare route, with a clock on its parts: CPU time of the thread, told in a header of every answer.

``python -m tests.ops.serve tests.benchmark.timed full``, or ``bare``. The clocks cost about a microsecond a request.
"""

from __future__ import annotations

import functools
import json
import threading
import time
from collections.abc import Callable, Iterable
from typing import Any

from service.settings import Settings

HEADER = "X-Parts"

Wsgi = Callable[[dict[str, Any], Callable[..., Any]], Iterable[bytes]]


class _Now(threading.local):
    """Part -> nanoseconds of the request that this thread answers."""

    def __init__(self) -> None:
        self.parts: dict[str, int] = {}


_now = _Now()


def clock(owner: Any, name: str, part: str) -> None:
    """Count the time of every call of ``owner.name`` as ``part``."""
    plain = getattr(owner, name)

    @functools.wraps(plain)
    def clocked(*arguments: Any, **named: Any) -> Any:
        start = time.thread_time_ns()
        try:
            return plain(*arguments, **named)
        finally:
            _now.parts[part] = _now.parts.get(part, 0) + time.thread_time_ns() - start

    setattr(owner, name, clocked)


def tell(plain: Wsgi) -> Wsgi:
    """The application with its time as ``app``, and all parts in a header."""

    def timed(environ: dict[str, Any], start_response: Callable[..., Any]) -> Iterable[bytes]:
        said: list[Any] = []
        _now.parts = {}
        start = time.thread_time_ns()
        answer = plain(environ, lambda *arguments: said.extend(arguments))
        _now.parts["app"] = time.thread_time_ns() - start
        start_response(said[0], [*said[1], (HEADER, json.dumps(_now.parts))])
        return answer

    return timed


def build(which: str, settings: Settings) -> Wsgi:
    """The one that is asked for; nothing of the other is loaded."""
    if which == "bare":
        from tests.benchmark import bare

        clock(bare.app.json, "loads", "reader")
        return tell(bare.build(settings))
    from marshmallow import Schema

    from service import wsgi
    from service.engine.fence import Fence
    from service.pipeline import Pipeline
    from service.representations import review_json

    clock(Pipeline, "review", "pipeline")
    clock(Fence, "_evaluate", "engine")
    clock(Schema, "load", "marshmallow")
    clock(review_json, "render", "writing")
    return tell(wsgi.build(settings))
