"""How much of a request is read, and for how long.

A client that sends before it reads would never see a refusal if the rest of
its body stayed unread (the connection would be reset under it). So whatever
the answer, the body is taken off the wire first, within a budget.
"""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from typing import Any

from flask import Request
from werkzeug.wsgi import get_input_stream

from service.api.problems import Refusal

_STEP = 64 * 1024
_DONE = "restraint_review.body_done"
_LOOK_EVERY = 0.25


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


def read_body(request: Request, most_bytes: int) -> bytes:
    """The whole body. Refusal 413 over ``most_bytes``, 408 when it takes too long, 400 when it breaks off."""
    announced = request.content_length
    if announced is not None and announced > most_bytes:
        raise Refusal("body-too-large")
    parts: list[bytes] = []
    size = 0
    with _deadlines.within(request.environ.get("gunicorn.socket"), CALLER.seconds) as watch:
        stream: Any = get_input_stream(request.environ)
        while True:
            try:
                part = stream.read(_STEP)
            except Exception:  # noqa: BLE001 (the server's own errors about a broken body, which may quote it)
                request.environ[_DONE] = True
                raise Refusal("body-too-slow" if watch.over else "incomplete-body") from None
            if not part:
                break
            parts.append(part)
            size += len(part)
            if size > most_bytes:
                raise Refusal("body-too-large")
    request.environ[_DONE] = True
    if watch.over:
        raise Refusal("body-too-slow")
    if announced is not None and size < announced:
        raise Refusal("incomplete-body")
    return b"".join(parts)


def drain(request: Request, status: int) -> None:
    """Take what is left of the body off the wire, within the budget of the answer's ``status``."""
    environ = request.environ
    if environ.get(_DONE) or not (request.content_length or environ.get("HTTP_TRANSFER_ENCODING")):
        return
    environ[_DONE] = True
    budget = STRANGER if status in _STRANGER_STATUS else CALLER
    end = time.monotonic() + budget.seconds
    drained = 0
    with _deadlines.within(environ.get("gunicorn.socket"), budget.seconds):
        stream: Any = get_input_stream(environ)
        while drained < budget.most_bytes and time.monotonic() < end:
            try:
                part = stream.read(_STEP)
            except Exception:  # noqa: BLE001 (nothing more can be read, and the answer does not depend on it)
                return
            if not part:
                return
            drained += len(part)


class _Watch:
    """One reading in progress. ``over``: its time was up and the reading was ended."""

    __slots__ = ("end", "over", "sock")

    def __init__(self, sock: socket.socket, end: float) -> None:
        self.sock = sock
        self.end = end
        self.over = False


class _NoWatch:
    over = False


class _Deadlines:
    """Ends the reading of a body that comes too slowly.

    A time limit on each receive does not do: a client that sends a byte now
    and then never meets it, and holds a thread for as long as it likes. One
    thread a process looks at the readings in progress and closes the reading
    side of those that are over, upon which the read returns.
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._active: set[_Watch] = set()
        self._busy = threading.Event()
        self._thread: threading.Thread | None = None

    @contextmanager
    def within(self, sock: socket.socket | None, seconds: float) -> Iterator[_Watch | _NoWatch]:
        """Read inside; without a socket (not under our server) there is no limit of time."""
        if sock is None:
            yield _NoWatch()
            return
        watch = _Watch(sock, time.monotonic() + seconds)
        with self._lock:
            if self._thread is None:
                # Started with the first body, so after the fork.
                self._thread = threading.Thread(target=self._look, name="body-deadlines", daemon=True)
                self._thread.start()
            self._active.add(watch)
            self._busy.set()
        try:
            yield watch
        finally:
            with self._lock:
                self._active.discard(watch)

    def _look(self) -> None:
        while True:
            self._busy.wait()
            time.sleep(_LOOK_EVERY)
            now = time.monotonic()
            with self._lock:
                for watch in self._active:
                    if not watch.over and watch.end <= now:
                        watch.over = True
                        with suppress(OSError):  # the client has gone: the read has ended by itself
                            watch.sock.shutdown(socket.SHUT_RD)
                if not self._active:
                    self._busy.clear()


_deadlines = _Deadlines()
