"""How gunicorn runs the service. Read by ``gunicorn --config python:service.gunicorn_conf``."""

from __future__ import annotations

import os
import sys

from service.settings import SettingsError, read_settings

try:
    _settings = read_settings()
except SettingsError as _error:
    print("\n".join(_error.lines), file=sys.stderr)
    raise SystemExit(2) from None

_host = f"[{_settings.host}]" if ":" in _settings.host else _settings.host

wsgi_app = "service.wsgi:app"
bind = f"{_host}:{_settings.port}"
workers = _settings.workers
worker_class = "gthread"
threads = _settings.threads
# A listener for each worker: with one for all, a single worker can take every kept-alive connection.
reuse_port = True
# The application is built in each worker after the fork: see service.wsgi.
preload_app = False
# The control socket wants a folder to write in, and nobody uses it.
control_socket_disable = True
# The heartbeat file must not wait for a disk.
worker_tmp_dir = "/dev/shm" if os.access("/dev/shm", os.W_OK) else None
keepalive = 5
timeout = 60
graceful_timeout = 20
limit_request_line = 4094
limit_request_fields = 50
limit_request_field_size = 8190
# No proxy is believed about who calls.
forwarded_allow_ips = ""
loglevel = _settings.log_level
logger_class = "service.observe.server_log.ServerLog"
accesslog = None
