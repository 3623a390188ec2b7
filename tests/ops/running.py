"""The service as a child with any application and settings, and small clients for it. Loopback only."""

from __future__ import annotations

import contextlib
import http.client
import json
import os
import ssl
import subprocess
import sys
import time
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from service.server import process
from service.settings import PREFIX

JSON = {"Content-Type": "application/json"}


class Service:
    """A running service."""

    def __init__(self, port: int, child: subprocess.Popen[bytes], log: Path) -> None:
        self.port = port
        self.child = child
        self.log = log

    def connect(self, timeout: float = 30) -> http.client.HTTPConnection:
        """A connection of its own."""
        return http.client.HTTPConnection("127.0.0.1", self.port, timeout=timeout)

    def call(
        self, method: str, path: str, body: bytes | None = None, headers: Mapping[str, str] | None = None
    ) -> tuple[int, dict[str, str], bytes]:
        """One request on a connection of its own."""
        with contextlib.closing(self.connect()) as connection:
            connection.request(method, path, body, dict(headers or {}))
            answer = connection.getresponse()
            return answer.status, dict(answer.getheaders()), answer.read()

    def workers(self) -> list[int]:
        """Process ids of the workers."""
        pid = self.child.pid
        return [int(each) for each in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]

    def folder(self) -> Path:
        """Where the workers keep their numbers."""
        maps = Path(f"/proc/{self.child.pid}/maps").read_text().splitlines()
        (found,) = {Path(line.split(None, 5)[5]).parent for line in maps if line.endswith(".db")}
        return found

    def lines(self) -> list[dict[str, Any]]:
        """What was logged; every line is one JSON object."""
        return [json.loads(line) for line in self.log.read_text("utf-8").splitlines()]

    def number(self, name: str, **labels: str) -> float:
        """The sum of a metric over every label that is not given."""
        _, _, body = self.call("GET", "/metrics")
        wanted = [f'{key}="{value}"' for key, value in labels.items()]
        return sum(
            float(line.rsplit(" ", 1)[1])
            for line in body.decode().splitlines()
            if line.split("{")[0].split(" ")[0] == name and all(each in line for each in wanted)
        )


def refused(**settings: str) -> list[str]:
    """The reasons for which a start with these settings is refused: at once, with 3, and before any worker is made."""
    environ = {**os.environ, f"{PREFIX}PORT": str(process.free_port())}
    environ |= {PREFIX + name: value for name, value in settings.items()}
    done = subprocess.run(process.command(), env=environ, capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 3, done.stderr
    lines = [json.loads(line) for line in (done.stdout + done.stderr).splitlines()]
    assert {line["event"] for line in lines} <= {"rules-read", "server-starting", "not-started"}
    return [line["reason"] for line in lines if line["event"] == "not-started"]


@contextlib.contextmanager
def running(
    folder: Path, application: str = "service.wsgi", before: Sequence[str] = (), **settings: str
) -> Iterator[Service]:
    """The service, ready; its output of both kinds goes to one file in ``folder``, or to a device named ``log``.

    Names in small letters are variables of the environment, those in capitals are settings; ``before``: a command
    that becomes the server; ``application``: a module with ``build``.
    """
    log = Path(settings.pop("log", folder / "log"))
    given = {(PREFIX + name if name.isupper() else name.upper()): value for name, value in settings.items()}
    port = int(given.setdefault(f"{PREFIX}PORT", str(process.free_port())))
    environ = {**os.environ, **given}
    command = [*before, sys.executable, "-m", "tests.ops.serve", application]
    with log.open("wb") as output:
        child = subprocess.Popen(command, env=environ, stdout=output, stderr=output, cwd=Path(__file__).parents[2])
        try:
            if "TLS_CERTIFICATE_FILE" in settings:
                _wait_tls(port, child)
            else:
                process.wait_ready(f"http://127.0.0.1:{port}", child)
            service = Service(port, child, log)
            # The first answers before the last is forked.
            while len(service.workers()) < int(given.get(f"{PREFIX}WORKERS", "2")):
                time.sleep(0.01)
            yield service
        finally:
            process.end(child)


def _wait_tls(port: int, child: subprocess.Popen[bytes]) -> None:
    context = ssl._create_unverified_context()
    for _ in range(500):
        if child.poll() is not None:
            raise process.NotStarted("the server ended")
        connection = http.client.HTTPSConnection("127.0.0.1", port, timeout=2, context=context)
        with contextlib.suppress(OSError, http.client.HTTPException), contextlib.closing(connection):
            connection.request("GET", "/health/ready")
            if connection.getresponse().status == 200:
                return
        with contextlib.suppress(subprocess.TimeoutExpired):
            child.wait(0.1)
    raise process.NotStarted("the server was not ready in time")
