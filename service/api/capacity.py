"""How much a worker takes on at once: bytes it holds for clients, reviews in hand, and how long one may take.

One loop serves a worker's connections. A review runs from one checkpoint to
the next; there others get their turn, and there it ends when its time is up or
its caller has gone.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager

import gevent
from flask import Flask, Response, g, request
from gevent.lock import BoundedSemaphore

from service.server import connection
from service.settings import Settings

from .problems import Refusal

#: A body of more bytes is a large one. One is reviewed at a time, since each takes much memory.
LARGE_BYTES = 256 * 1024
#: Others get their turn this often, seconds.
_TURN = 0.02
_BUSY = {"Retry-After": "1"}


class Capacity:
    """The limits of one worker."""

    def __init__(self, settings: Settings) -> None:
        self._seconds = settings.review_seconds
        self._places = BoundedSemaphore(settings.in_hand)
        self._large = BoundedSemaphore(1)
        self._free_bytes = settings.held_bytes

    def hold(self, size: int) -> None:
        """Hold so many bytes more of the body of this request; Refusal 429 when there is no room for them."""
        if size > self._free_bytes:
            raise Refusal("too-busy", headers=_BUSY)
        self._free_bytes -= size
        g.held = g.get("held", 0) + size

    def let_go(self, size: int) -> None:
        """No longer hold so many bytes."""
        self._free_bytes += size

    def hold_answer(self, response: Response) -> None:
        """Hold the answer in place of the body, until it has been sent. It is made already, so it is never refused."""
        size = (response.content_length or 0) - g.pop("held", 0)
        self._free_bytes -= size
        response.call_on_close(lambda: self.let_go(response.content_length or 0))

    @contextmanager
    def review(self, size: int, *, wait: bool = False) -> Iterator[Checkpoint]:
        """Work inside on a body of so many bytes, read whole.

        Refusal 429 when there is no place (``wait``: 503, after REVIEW_SECONDS).
        """
        caller = connection.of(request.environ)
        if wait:
            gevent.sleep(0)  # one of many: others first
        if not self._places.acquire(blocking=wait, timeout=self._seconds if wait else None):
            raise Refusal("review-too-slow" if wait else "too-busy", headers=_BUSY)
        large = size > LARGE_BYTES
        try:
            if large and not self._large.acquire(timeout=self._seconds):
                raise Refusal("review-too-slow", headers=_BUSY)
            if caller is not None:
                caller.works()
            try:
                yield Checkpoint(self._seconds, caller)
            except _Ended as ended:
                raise ended.reason from None
            finally:
                if caller is not None:
                    caller.waits()
                if large:
                    self._large.release()
        finally:
            self._places.release()


class CallerGone(Exception):
    """Nobody waits for the answer any more."""


class _Ended(BaseException):
    """A review that ends at a checkpoint. No part of it may catch this, whatever else it catches."""

    def __init__(self, reason: Exception) -> None:
        super().__init__()
        self.reason = reason


class Checkpoint:
    """Called in every loop of a review: gives others their turn, and ends what takes too long or is for nobody."""

    def __init__(self, seconds: float, caller: connection.Connection | None) -> None:
        self._caller = caller
        now = time.monotonic()
        self._end = now + seconds
        self._turn = now + _TURN

    def __call__(self) -> None:
        """Ends the review with Refusal 503 when its time is up, with CallerGone when its caller has left."""
        now = time.monotonic()
        if now < self._turn:
            return
        if now > self._end:
            raise _Ended(Refusal("review-too-slow", headers=_BUSY))
        if self._caller is not None:
            gevent.sleep(0)
            if self._caller.has_left():
                raise _Ended(CallerGone())
        self._turn = time.monotonic() + _TURN


def register(app: Flask, capacity: Capacity) -> None:
    """Count what is held for every request with a body."""

    @app.after_request
    def hold(response: Response) -> Response:
        if request.method == "POST":
            capacity.hold_answer(response)
        return response

    @app.teardown_request
    def let_go(_error: BaseException | None) -> None:
        capacity.let_go(g.pop("held", 0))
