"""The worker: gunicorn's gevent worker, one loop a process, made proof against clients that are slow.

A connection that sends nothing, or reads nothing, costs a greenlet and no
core. What this adds: time limits on TLS and head, and on a request as a whole;
a pool of connections for each listener, so that a full main port leaves the
port of health and metrics as it is; and, where all connections of a pool are
taken, room for newcomers in place of those that have waited longest for their
client.
"""

from __future__ import annotations

import json
import socket
import ssl
import time
from contextlib import suppress
from functools import partial
from typing import Any

import gevent
from gevent.pool import Pool
from gevent.server import StreamServer
from gunicorn.http import errors  # type: ignore[import-untyped,unused-ignore]
from gunicorn.workers.ggevent import GeventWorker  # type: ignore[import-untyped,unused-ignore]

from service.observe import log, metrics
from service.settings import Settings

from . import connection
from .certificate import Certificate
from .connection import Connection

_LOOK_EVERY = 0.25


class BodyTooLarge(errors.ParseException):  # type: ignore[misc,no-any-unimported,unused-ignore]
    """The caller asks whether to send a body that is larger than any that is taken."""


#: Kind of fault in what should be HTTP -> status and title, the first that fits.
_REFUSED: tuple[tuple[type[BaseException], tuple[int, str]], ...] = (
    (errors.LimitRequestLine, (414, "Request line too long")),
    (errors.LimitRequestHeaders, (431, "Header too large")),
    (BodyTooLarge, (413, "Body too large")),
    (errors.ExpectationFailed, (417, "Expectation not known")),
    (errors.UnsupportedTransferCoding, (501, "Transfer coding not known")),
    (errors.InvalidResponseHeader, (500, "Internal error")),
    (errors.InvalidResponseHeaderName, (500, "Internal error")),
    (errors.ConfigurationProblem, (500, "Internal error")),
    (errors.ParseException, (400, "Not HTTP")),
    (ssl.SSLError, (400, "Not HTTP")),
)
#: Seconds for which a client is waited for, whoever else would like its place.
_PATIENCE = 1.0


class Worker(GeventWorker):  # type: ignore[misc,no-any-unimported,unused-ignore]
    """One process of the service. ``settings``: put here by the server's configuration, before the fork."""

    settings = Settings()
    sockets: list[Any]
    wsgi: Any
    certificate: Certificate | None = None

    def patch(self) -> None:
        """The master has put gevent's sockets and locks in place of Python's; only the listeners are older."""
        self.sockets = [
            gevent.socket.socket(each.FAMILY, socket.SOCK_STREAM, fileno=each.sock.detach()) for each in self.sockets
        ]

    def load_wsgi(self) -> None:
        """Have the application find the connection of each request."""
        super().load_wsgi()
        application = self.wsgi

        def wsgi(environ: dict[str, Any], start_response: Any) -> Any:
            environ[connection.NAME] = gevent.getcurrent()
            return application(environ, start_response)

        self.wsgi = wsgi

    def timeout_ctx(self) -> gevent.Timeout:
        """The time for the head of a request, and the longest that a kept-alive connection may be idle."""
        here = gevent.getcurrent()
        if isinstance(here, Connection):
            here.waits()
        return gevent.Timeout(self.settings.head_seconds, False)

    def handle(self, listener: Any, client: Any, addr: Any) -> None:
        """Serve one connection: TLS first, within the time of a head."""
        here = gevent.getcurrent()
        here.waits()
        if self.certificate is not None:
            try:
                with gevent.Timeout(self.settings.head_seconds):
                    client = self.certificate.context.wrap_socket(client, server_side=True)
            except (gevent.Timeout, ssl.SSLError, OSError):
                client.close()
                return
        here.sock = client
        super().handle(listener, client, addr)

    def handle_request(self, listener_name: Any, req: Any, sock: Any, addr: Any) -> None:
        """Answer one request, within the time of a whole one; then the connection ends."""
        check_head(req, self.settings.max_body_bytes)
        gevent.getcurrent().waits()
        gevent.sleep(0)  # who sends many requests at once lets others in between
        done = False
        with gevent.Timeout(self.settings.request_seconds, False):
            super().handle_request(listener_name, req, sock, addr)
            done = True
        if not done:
            raise StopIteration

    def handle_error(self, req: Any, client: Any, addr: Any, exc: BaseException) -> None:
        """Answer what could not be read as HTTP, repeating nothing of it; of a fault of ours write class and place."""
        status, title = next((said for kind, said in _REFUSED if isinstance(exc, kind)), (500, "Internal error"))
        if status == 500:
            log.crash("server-crash", exc)
        else:
            log.emit("warning", "bad-http", status=status)
            metrics.bad_http()
        body = json.dumps({"type": "about:blank", "title": title, "status": status}).encode()
        head = (
            f"HTTP/1.1 {status} {title}\r\nConnection: close\r\nContent-Type: application/problem+json\r\n"
            f"Cache-Control: no-store\r\nContent-Length: {len(body)}\r\n\r\n"
        )
        with suppress(OSError, gevent.Timeout), gevent.Timeout(_PATIENCE):
            client.sendall(head.encode() + body)

    def run(self) -> None:
        """Serve until a signal ends it, then answer what is in hand."""
        self.certificate = Certificate(self.cfg, self.settings) if self.cfg.is_ssl else None
        servers = []
        for listener in self.sockets:
            listener.setblocking(True)
            pool = Pool(self.worker_connections, greenlet_class=Connection)
            server = StreamServer(listener, handle=partial(self.handle, listener), spawn=pool)
            # One at a time, so that workers share those who come at once.
            server.max_accept = 1
            server.start()
            servers.append(server)
        while self.alive:
            self.notify()
            if self.certificate is not None:
                self.certificate.renew()
            for server in servers:
                make_room(server.pool)
            gevent.sleep(_LOOK_EVERY)
        for server in servers:
            server.close()
        # A kept-alive connection may bring one request more, which is answered and then the last.
        end = time.monotonic() + self.cfg.graceful_timeout
        while time.monotonic() < end and any(server.pool for server in servers):
            self.notify()
            gevent.sleep(_LOOK_EVERY)


def check_head(request: Any, most_bytes: int) -> None:
    """Refuse what gunicorn passes on and RFC 9110 and 9112 do not: raises ParseException."""
    headers = dict(request.headers)
    if request.version >= (1, 1) and "HOST" not in headers:
        raise errors.InvalidHeader("HOST")
    if any(name == "TRANSFER-ENCODING" and value.lower() != "chunked" for name, value in request.headers):
        raise errors.UnsupportedTransferCoding("TRANSFER-ENCODING")
    # Asked before the body is sent; without the question it is refused when it is read.
    if "EXPECT" in headers and int(headers.get("CONTENT-LENGTH", 0)) > most_bytes:
        raise BodyTooLarge


def make_room(pool: Pool) -> None:
    """Where a pool is full, end a tenth of its connections, those that have waited longest for their client.

    None that has waited for less than is patient, and none for which this service works.
    """
    if not pool.full():
        return
    latest = time.monotonic() - _PATIENCE
    waiting = [each for each in pool if each.waits_since is not None and each.waits_since <= latest]
    waiting.sort(key=lambda each: each.waits_since)
    for each in waiting[: max(1, pool.size // 10)]:
        each.kill(block=False)
