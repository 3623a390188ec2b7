"""How much of a request is read, and for how long.

A client that sends before it reads would never see a refusal if the rest of
its body stayed unread (the connection would be reset under it). So whatever
the answer, the body is taken off the wire first, within a budget.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from typing import Any

from flask import Request
from gevent import Timeout
from werkzeug.wsgi import get_input_stream

from .capacity import Capacity
from .problems import Refusal

_STEP = 64 * 1024
_DONE = "restraint_review.body_done"


@dataclass(frozen=True, slots=True)
class Budget:
    """The most that is taken off the wire: bytes and seconds."""

    most_bytes: int
    seconds: float


#: Before the caller is known, and after.
STRANGER = Budget(16 * 1024 * 1024, 2.0)
CALLER = Budget(64 * 1024 * 1024, 10.0)

#: Refusals decided before the caller is known.
_STRANGER_STATUS = frozenset({401, 403, 404, 405, 429})


def read_body(request: Request, capacity: Capacity, most_bytes: int, seconds: float) -> bytes:
    """The whole body. Refusal 413 over ``most_bytes``, 408 over ``seconds``, 400 when it breaks off, 429 without room."""
    announced = request.content_length
    if announced is not None and announced > most_bytes:
        raise Refusal("body-too-large")
    parts: list[bytes] = []
    size = 0
    with Timeout(seconds, False):
        for part in _parts(request):
            capacity.hold(len(part))
            parts.append(part)
            size += len(part)
            if size > most_bytes:
                raise Refusal("body-too-large")
            if size == announced:
                break
        request.environ[_DONE] = True
    if not request.environ.get(_DONE):
        request.environ[_DONE] = True  # what is left would be no quicker
        raise Refusal("body-too-slow")
    if announced is not None and size < announced:
        raise Refusal("incomplete-body")
    return b"".join(parts)


def _parts(request: Request) -> Iterator[bytes]:
    stream: Any = get_input_stream(request.environ)
    while True:
        try:
            part = stream.read(_STEP)
        except MemoryError:
            raise  # the body may be well
        except Exception:  # noqa: BLE001 (the server's own errors about a broken body, which may quote it)
            request.environ[_DONE] = True
            raise Refusal("incomplete-body") from None
        if not part:
            return
        yield part


def drain(request: Request, status: int) -> None:
    """Take what is left of the body off the wire, within the budget of the answer's ``status``."""
    environ = request.environ
    if environ.get(_DONE) or not (request.content_length or environ.get("HTTP_TRANSFER_ENCODING")):
        return
    environ[_DONE] = True
    budget = STRANGER if status in _STRANGER_STATUS else CALLER
    drained = 0
    with Timeout(budget.seconds, False), suppress(Refusal):
        for part in _parts(request):
            drained += len(part)
            if drained >= budget.most_bytes:
                return
