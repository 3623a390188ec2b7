"""How gunicorn runs the service. Read by ``gunicorn --config python:service.gunicorn_conf``."""

from __future__ import annotations

import atexit
import os
import shutil
import ssl
import sys
import tempfile
from collections.abc import Callable
from typing import Any, NoReturn

from service.claim import NotClaimed, check_certificate, claim
from service.settings import SettingsError, read_settings


def _stop(*lines: str) -> NoReturn:
    print("\n".join(lines), file=sys.stderr)
    raise SystemExit(2)


try:
    _settings = read_settings()
except SettingsError as _error:
    _stop(*_error.lines)

# What is written must not wait for a disk, nor need one: the root file system may be read-only.
_memory = "/dev/shm" if os.access("/dev/shm", os.W_OK) else None


def _clean_up(master: int) -> None:
    # Workers leave by the same door.
    if os.getpid() == master:
        shutil.rmtree(_shared, ignore_errors=True)


try:
    # Named before the metrics are made, which ask for it: the workers share their numbers in files there.
    _shared = tempfile.mkdtemp(prefix="restraint-review-", dir=_memory)
    # Not by the server's own hook, which is not called when the start is refused.
    atexit.register(_clean_up, os.getpid())
    os.environ["PROMETHEUS_MULTIPROC_DIR"] = _shared
    from service.observe import log, metrics

    for _place in range(_settings.workers):
        metrics.reserve(f"worker-{_place}")
except OSError:
    _stop("The workers share their numbers in /dev/shm, or a temporary folder where there is none: it needs more room.")

from service.worker import Worker  # noqa: E402

Worker.settings = _settings

_ports = [_settings.port, *([_settings.operations_port] if _settings.operations_port else [])]
try:
    check_certificate(_settings)
    claim(_settings.host, _ports)
except NotClaimed as _fault:
    log.configure(_settings.log_level)
    log.emit("error", "not-started", reason=str(_fault))
    raise SystemExit(3) from None

_host = f"[{_settings.host}]" if ":" in _settings.host else _settings.host

wsgi_app = "service.wsgi:app"
bind = [f"{_host}:{_port}" for _port in _ports]
workers = _settings.workers
worker_class = "service.worker.Worker"
threads = _settings.threads
# A listener for each worker: with one for all, a single worker can take every kept-alive connection.
reuse_port = True
# The application is built once, before anything is bound, and the workers are forked from it: see service.wsgi.
preload_app = True
# The control socket wants a folder to write in, and nobody uses it.
control_socket_disable = True
worker_tmp_dir = _memory
keepalive = 5
# A worker whose main thread is stuck (in the engine, say) is killed after this many seconds and another started.
timeout = 60
graceful_timeout = 20
limit_request_line = 4094
limit_request_fields = 50
limit_request_field_size = 8190
# No proxy is believed about the scheme or the address of a caller; see TRUSTED_PROXIES for certificates.
forwarded_allow_ips = ""
loglevel = _settings.log_level
logger_class = "service.observe.server_log.ServerLog"
accesslog = None

if _settings.tls_certificate_file:
    certfile = str(_settings.tls_certificate_file)
    keyfile = str(_settings.tls_key_file)
    if _settings.tls_client_ca_file:
        ca_certs = str(_settings.tls_client_ca_file)
        # Optional, because a caller may show a key or a token instead; without any of them it is 401.
        cert_reqs = ssl.CERT_OPTIONAL


def ssl_context(_config: Any, default: Callable[[], ssl.SSLContext]) -> ssl.SSLContext:
    """TLS 1.2 and later."""
    context = default()
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    return context


def when_ready(_server: Any) -> None:
    """In the master: the workers come next, each with listeners of its own."""
    log.emit("info", "server-listening", address=" ".join(bind))


def pre_fork(server: Any, worker: Any) -> None:
    """Give the worker the lowest place that is free: its numbers go on where those of the last one there ended."""
    taken = {each.place for each in server.WORKERS.values()}
    worker.place = next(place for place in range(len(taken) + 1) if place not in taken)
    try:
        metrics.reserve(f"worker-{worker.place}")
    except OSError:
        log.emit("error", "numbers-without-room", worker=worker.place)


def post_fork(_server: Any, worker: Any) -> None:
    """In the worker."""
    metrics.take_slot(f"worker-{worker.place}")


def post_worker_init(_worker: Any) -> None:
    """In the worker: it reviews."""
    metrics.worker_ready()
    log.emit("info", "worker-ready")


def child_exit(_server: Any, worker: Any) -> None:
    """In the master: the worker no longer counts as ready."""
    metrics.worker_gone(f"worker-{worker.place}")
