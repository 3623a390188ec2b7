"""gunicorn with our settings, around an application that is built before anything listens.

The master reads settings and files, builds the application and claims its
addresses; the workers are forked from it (the fence says why that is safe). So
rules, profiles and mappings are read once in the life of a server: a worker
that takes the place of a crashed one has the same ones, whatever has become of
the files, and is there at once.
"""

from __future__ import annotations

import atexit
import os
import shutil
import ssl
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

from gunicorn.app.base import BaseApplication  # type: ignore[import-untyped,unused-ignore]
from gunicorn.errors import HaltServer  # type: ignore[import-untyped,unused-ignore]

from service.observe import log, metrics
from service.observe.relay import Relay
from service.settings import Settings

from .addresses import CannotListen, check_certificate, take_addresses
from .worker import Worker

#: The exit status of a server that could not start.
NOT_STARTED = 3
_NO_ROOM = "The workers share their numbers in /dev/shm, or a temporary folder where there is none: it needs more room."
#: What is written must not wait for a disk, nor need one: the root file system may be read-only.
_MEMORY = Path("/dev/shm")


class NotStarted(Exception):
    """The server cannot start. ``lines``: why, one line each, for the log."""

    def __init__(self, *lines: str) -> None:
        super().__init__("\n".join(lines))
        self.lines = lines


def serve(settings: Settings, build: Callable[[Settings], Callable[..., Any]]) -> None:
    """Serve what ``build`` makes (a WSGI application) until a signal ends it.

    Ends the process with ``NOT_STARTED`` and a log line for each reason where it cannot be served; ``build`` raises
    NotStarted.
    """
    relay = Relay(metrics.line_dropped)
    log.configure(settings.log_level, relay.write)
    # Registered first, so that it runs last and passes on what the others write.
    atexit.register(_at_the_end, os.getpid(), relay.close)
    try:
        _share_numbers(settings.workers)
        check_certificate(settings)
        take_addresses(settings.host, _ports(settings))
        _Server(settings, build).run()
    except NotStarted as fault:
        _say(*fault.lines)
    except CannotListen as fault:
        _say(str(fault))
    except HaltServer as halt:
        # Raised again when a second worker fails while the server already stops for the first.
        raise SystemExit(halt.exit_status) from None


def _say(*reasons: str) -> None:
    for reason in reasons:
        log.emit("error", "not-started", reason=reason)
    raise SystemExit(NOT_STARTED) from None


def _memory() -> str | None:
    return str(_MEMORY) if os.access(_MEMORY, os.W_OK) else None


def _share_numbers(workers: int) -> None:
    try:
        folder = tempfile.mkdtemp(prefix="restraint-review-", dir=_memory())
        # Not by the server's own hook, which is not called when the start is refused.
        atexit.register(_at_the_end, os.getpid(), lambda: shutil.rmtree(folder, ignore_errors=True))
        metrics.share(Path(folder), workers)
    except OSError:
        raise NotStarted(_NO_ROOM) from None


def _at_the_end(master: int, act: Callable[[], None]) -> None:
    # A worker ends with the handlers of the process it was forked from; what all of them share is the master's.
    if os.getpid() == master:
        act()


def _ports(settings: Settings) -> list[int]:
    return [settings.port, *([settings.operations_port] if settings.operations_port else [])]


class _Server(BaseApplication):  # type: ignore[misc,no-any-unimported,unused-ignore]
    """gunicorn without a command line or configuration file of its own."""

    def __init__(self, settings: Settings, build: Callable[[Settings], Callable[..., Any]]) -> None:
        self._settings = settings
        self._build = build
        super().__init__()

    def load_config(self) -> None:
        """Called again at SIGHUP: the settings stay those of the start."""
        for name, value in _options(self._settings).items():
            self.cfg.set(name, value)

    def load(self) -> Callable[..., Any]:
        """Called once, in the master."""
        return self._build(self._settings)


def _options(settings: Settings) -> dict[str, Any]:
    """gunicorn's settings, by its names."""
    Worker.settings = settings
    host = f"[{settings.host}]" if ":" in settings.host else settings.host
    return {
        "bind": [f"{host}:{port}" for port in _ports(settings)],
        "workers": settings.workers,
        "worker_class": Worker,
        "worker_connections": settings.connections,
        # One listener for all workers: one that is killed, frozen or leaves takes nobody with it who waits at the door.
        "reuse_port": False,
        # The application is built once, before anything is bound.
        "preload_app": True,
        # The control socket wants a folder to write in, and nobody uses it.
        "control_socket_disable": True,
        "worker_tmp_dir": _memory(),
        "keepalive": 1,  # kept alive, for as long as Worker says
        # A worker whose loop stands still (frozen, or stuck in the engine) is killed after this many seconds, and two.
        "timeout": 12,
        "graceful_timeout": 20,
        "limit_request_line": 4094,
        "limit_request_fields": 50,
        "limit_request_field_size": 8190,
        # No proxy is believed about the scheme or the address of a caller; see TRUSTED_PROXIES for certificates.
        "forwarded_allow_ips": "",
        "loglevel": settings.log_level,
        "logger_class": "service.observe.server_log.ServerLog",
        "accesslog": None,
        "when_ready": _when_ready,
        "pre_fork": _pre_fork,
        "post_fork": _post_fork,
        "post_worker_init": _post_worker_init,
        "child_exit": _child_exit,
        **_tls(settings),
    }


def _tls(settings: Settings) -> dict[str, Any]:
    if settings.tls_certificate_file is None:
        return {}
    found: dict[str, Any] = {
        "certfile": str(settings.tls_certificate_file),
        "keyfile": str(settings.tls_key_file),
        "ssl_context": _ssl_context,
    }
    if settings.tls_client_ca_file:
        # Optional, because a caller may show a key or a token instead; without any of them it is 401.
        found |= {"ca_certs": str(settings.tls_client_ca_file), "cert_reqs": ssl.CERT_OPTIONAL}
    return found


def _ssl_context(_config: Any, default: Callable[[], ssl.SSLContext]) -> ssl.SSLContext:
    """TLS 1.2 and later."""
    context = default()
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    return context


def _when_ready(server: Any) -> None:
    """In the master: the workers come next."""
    log.emit("info", "server-listening", address=" ".join(server.cfg.settings["bind"].value))


def _pre_fork(server: Any, worker: Any) -> None:
    """Give the worker the lowest place that is free: its numbers go on where those of the last one there ended."""
    taken = {each.place for each in server.WORKERS.values()}
    worker.place = next(place for place in range(len(taken) + 1) if place not in taken)
    try:
        metrics.reserve(f"worker-{worker.place}")  # again: files of one that was killed may be gone
    except OSError:
        log.emit("error", "numbers-without-room", worker=worker.place)


def _post_fork(_server: Any, worker: Any) -> None:
    """In the worker."""
    metrics.take_slot(f"worker-{worker.place}")


def _post_worker_init(_worker: Any) -> None:
    """In the worker: it reviews."""
    metrics.worker_ready()
    log.emit("info", "worker-ready")


def _child_exit(_server: Any, worker: Any) -> None:
    """In the master: the worker no longer counts as ready."""
    metrics.worker_gone(f"worker-{worker.place}")
