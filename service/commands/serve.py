"""``restraint-review serve``: the service, in place of this process."""

from __future__ import annotations

import argparse
import os
from typing import Any

from service.settings import PREFIX, read_settings


def register(commands: Any) -> None:
    """Add the command."""
    serve = commands.add_parser("serve", help="run the service")
    serve.add_argument("--host", help="address to listen on (127.0.0.1)")
    serve.add_argument("--port", help="port to listen on (8080)")
    serve.add_argument("--workers", help="worker processes (2)")
    serve.add_argument("--public", action="store_true", help="allow an address that other machines reach")
    serve.set_defaults(run=_run)


def _run(arguments: argparse.Namespace) -> int:
    environ = dict(os.environ)
    for name in ("host", "port", "workers"):
        value = getattr(arguments, name)
        if value is not None:
            environ[PREFIX + name.upper()] = value
    if arguments.public:
        environ[f"{PREFIX}PUBLIC"] = "true"
    read_settings(environ)  # a fault shows as one line here, not as a traceback of the server
    from service.server import process

    process.become(environ)
