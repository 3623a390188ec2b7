"""The server as a process: in place of this one, or as a child that is always ended."""

from __future__ import annotations

import contextlib
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator, Mapping
from typing import IO, NoReturn

import requests

from service.settings import PREFIX

#: How long a child may take until it is ready, and until it has ended.
_READY_SECONDS = 300.0
_END_SECONDS = 30.0


class NotStarted(Exception):
    """The server ended or stayed silent before it was ready."""


def command() -> list[str]:
    """The command line of the server; everything else comes from the environment."""
    return [sys.executable, "-m", "service.serve"]


def become(environ: Mapping[str, str]) -> NoReturn:
    """Replace this process by the server, so that signals reach it."""
    sys.stdout.flush()
    os.execve(sys.executable, command(), dict(environ))


def free_port() -> int:
    """A port of the loopback address that was free a moment ago."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


@contextlib.contextmanager
def running(
    overrides: Mapping[str, str] | None = None, stderr: int | IO[bytes] | None = None
) -> Iterator[tuple[str, subprocess.Popen[bytes]]]:
    """The service as a child on a free loopback port: its base URL and process, ended when the block is left.

    ``overrides``: further settings by full name. Raises NotStarted.
    """
    port = free_port()
    environ = {
        **os.environ,
        f"{PREFIX}HOST": "127.0.0.1",
        f"{PREFIX}PORT": str(port),
        **(overrides or {}),
    }
    base = f"http://127.0.0.1:{port}"
    child = subprocess.Popen(command(), env=environ, stderr=stderr)
    try:
        wait_ready(base, child)
        yield base, child
    finally:
        end(child)


def end(child: subprocess.Popen[bytes]) -> int:
    """End the child by its own process id and wait for it; returns its exit status."""
    if child.poll() is None:
        child.send_signal(signal.SIGTERM)
        try:
            child.wait(_END_SECONDS)
        except subprocess.TimeoutExpired:
            child.kill()
    return child.wait()


def session() -> requests.Session:
    """A client for a service of this machine: no proxy and no password that the environment names for others."""
    made = requests.Session()
    made.trust_env = False
    return made


def wait_ready(base: str, child: subprocess.Popen[bytes]) -> None:
    """Wait until the child reviews. Raises NotStarted."""
    end_of_patience = time.monotonic() + _READY_SECONDS
    with session() as http:
        while time.monotonic() < end_of_patience:
            if child.poll() is not None:
                raise NotStarted(f"the server ended with status {child.returncode} before it was ready")
            with contextlib.suppress(requests.RequestException):
                if http.get(f"{base}/health/ready", timeout=2).ok:
                    return
            time.sleep(0.05)
    raise NotStarted("the server was not ready in time")
