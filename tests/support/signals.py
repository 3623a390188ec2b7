"""SIGINT as a command in a terminal gets it, however the tests themselves were started."""

from __future__ import annotations

import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType
from typing import Any

Handler = Callable[[int, FrameType | None], Any] | int


@contextmanager
def sigint(handler: Handler = signal.default_int_handler) -> Iterator[None]:
    """For children that are started meanwhile. A signal that is ignored here stays ignored in them, as under ``nohup``
    in the background; one that is handled here ends them, unless they handle it.
    """
    before = signal.signal(signal.SIGINT, handler)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)
