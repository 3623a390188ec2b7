"""One connection of a caller, as the server and the application see it."""

from __future__ import annotations

import select
import socket
import time
from collections.abc import Mapping
from typing import Any

import gevent

#: Where the application finds the connection of a request in its environment.
NAME = "restraint_review.connection"
_LEFT = select.POLLRDHUP | select.POLLHUP | select.POLLERR


class Connection(gevent.Greenlet):  # type: ignore[misc,no-any-unimported,unused-ignore]
    """The greenlet that serves one connection.

    ``waits_since``: when it began to wait for its client (``time.monotonic``), None while it works for it.
    """

    waits_since: float | None = None
    sock: socket.socket | None = None

    def waits(self) -> None:
        """From now on it is the client that takes its time: to send, or to read."""
        self.waits_since = time.monotonic()

    def works(self) -> None:
        """From now on it is this service that takes its time."""
        self.waits_since = None

    def has_left(self) -> bool:
        """Whether the client has closed its end. One that only says it will send no more counts too, as in proxies."""
        if self.sock is None or self.sock.fileno() < 0:
            return True
        look = select.poll()
        look.register(self.sock.fileno(), _LEFT)
        return bool(look.poll(0))


def of(environ: Mapping[str, Any]) -> Connection | None:
    """The connection of a request; None where there is none, as in tests without a server."""
    found = environ.get(NAME)
    return found if isinstance(found, Connection) else None
