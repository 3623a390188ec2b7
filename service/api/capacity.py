"""How many requests a worker has in hand, how many reviews it evaluates at once, and how long one may take.

Reading and answering wait for the network, so a worker has more threads than
it evaluates reviews at once: slow callers keep a thread waiting, not a core.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager

from flask import Flask, g, request

from service.settings import Settings

from .problems import Refusal


class Capacity:
    """The limits of one worker."""

    def __init__(self, settings: Settings) -> None:
        self._seconds = settings.review_seconds
        self._places = threading.BoundedSemaphore(settings.in_hand)
        self._evaluating = threading.BoundedSemaphore(settings.threads)

    def take_place(self) -> bool:
        """Take a place for a request; False when there is none. Must be followed by ``give_back``."""
        return self._places.acquire(blocking=False)

    def give_back(self) -> None:
        """Give the place back."""
        self._places.release()

    @contextmanager
    def evaluation(self) -> Iterator[Clock]:
        """Wait for a turn and evaluate inside; Refusal 503 when the turn does not come in time."""
        if not self._evaluating.acquire(timeout=self._seconds):
            raise Refusal("review-too-slow", headers={"Retry-After": "1"})
        try:
            yield Clock(self._seconds)
        finally:
            self._evaluating.release()


class Clock:
    """The time of one review, looked at between its steps."""

    def __init__(self, seconds: float) -> None:
        self._end = time.monotonic() + seconds

    def look(self) -> None:
        """Refusal 503 when the time is up."""
        if time.monotonic() > self._end:
            raise Refusal("review-too-slow", headers={"Retry-After": "1"})


def register(app: Flask, capacity: Capacity) -> None:
    """Refuse what is more than a worker has hands for. Only requests with a body: the others take no time."""

    @app.before_request
    def enter() -> None:
        if request.method != "POST" or request.routing_exception is not None:
            return
        if not capacity.take_place():
            raise Refusal("too-busy", headers={"Retry-After": "1"})
        g.has_place = True

    @app.teardown_request
    def leave(_error: BaseException | None) -> None:
        if g.pop("has_place", False):
            capacity.give_back()
