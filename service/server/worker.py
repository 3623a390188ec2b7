"""The worker: gunicorn's threaded one, made proof against clients that are slow on purpose or by misfortune.

What it adds: a connection that sends nothing costs no thread; the head of a
request (and the TLS handshake) has a time limit; so has a request as a whole,
its answer included; and a worker that stops takes the connections that wait
at its door. The limit on the body is in ``service.api.request_body``.
"""

from __future__ import annotations

import selectors
import socket
import threading
import time
from functools import partial
from typing import Any

from gunicorn.workers import gthread  # type: ignore[import-untyped,unused-ignore]

from service.observe import log
from service.settings import Settings

from .deadlines import deadlines
from .threads import Pool

#: Threads beyond those of requests in hand, so that probes and refusals are answered all the same.
_SPARE_THREADS = 2
#: A worker that cannot start its threads is replaced after this long.
_NO_THREADS_SECONDS = 1.0

_current = threading.local()


class Worker(gthread.ThreadWorker):  # type: ignore[misc,no-any-unimported,unused-ignore]
    """One process of the service. ``settings``: put here by the server's configuration, before the fork."""

    settings = Settings()

    def get_thread_pool(self) -> Pool:
        """Threads to read and answer in; evaluation has a limit of its own. Ends the worker where there are none."""
        try:
            pool = Pool(self.settings.in_hand + _SPARE_THREADS)
        except (RuntimeError, MemoryError) as error:
            log.crash("crash", error)
            # Nobody is to come to this worker's door, and the next one is not to open its own at once.
            for listener in self.sockets:
                listener.close()
            time.sleep(_NO_THREADS_SECONDS)
            # Let through, it would be a fault of the start and end the server, other workers and all.
            raise SystemExit(1) from None
        deadlines.pressure = pool.waiting
        return pool

    def accept(self, listener: socket.socket) -> bool:
        """Take a connection and wait for its first byte without a thread; False when there is none."""
        try:
            sock, address = listener.accept()
        except (BlockingIOError, ConnectionAbortedError):
            return False
        connection = gthread.TConn(self.cfg, sock, address, listener.getsockname())
        connection.timeout = time.monotonic() + self.cfg.keepalive
        self.nr_conns += 1
        self.pending_conns.append(connection)
        self.poller.register(sock, selectors.EVENT_READ, partial(self.on_pending_socket_readable, connection))
        return True

    def set_accept_enabled(self, enabled: bool) -> None:
        """Before the door is shut for good, take those who wait at it: the listener is this worker's own."""
        if not enabled and not self.alive and self._accepting:
            for listener in self.sockets:
                while self.accept(listener):
                    pass
        super().set_accept_enabled(enabled)
        if not enabled and not self.alive:
            for listener in self.sockets:
                listener.close()

    def handle(self, conn: Any) -> Any:
        """Answer one request, within the limits of time."""
        _current.head = deadlines.start(lambda: conn.sock, self.settings.head_seconds, socket.SHUT_RD)
        try:
            return super().handle(conn)
        finally:
            deadlines.finish(_current.head)

    def handle_request(self, req: Any, conn: Any) -> Any:
        """The head is here: watch the rest."""
        deadlines.finish(_current.head)
        watch = deadlines.start(lambda: conn.sock, self.settings.request_seconds, socket.SHUT_RDWR)
        try:
            return super().handle_request(req, conn)
        finally:
            deadlines.finish(watch)
