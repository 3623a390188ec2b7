"""Attacks on the service, and what bystanders notice: ``python -m tests.ops.attacks [--only NAME] [--seconds 8]``.

Each attack runs for some seconds against the real service on loopback, with
200 and with 400 sockets where it has sockets, once straight and once through
the proxy of the compose file (where nginx is installed). Meanwhile bystanders,
who come from another loopback address, send reviews with the documented retry
(three times, after one second) and ask for readiness. Printed: the time of
each until its answer, the retries in it; how many of all had none; and the
most memory of master and workers together (each page once).

Exit status 1 when a bystander had no answer, or an end was not in its time.
"""

from __future__ import annotations

import argparse
import contextlib
import hashlib
import http.client
import json
import os
import shutil
import signal
import socket
import ssl
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

from cryptography.hazmat.primitives import serialization

from service.resources import demo_directory
from service.server import process
from tests.ops.image import proxy
from tests.ops.running import Service, running
from tests.ops.soak import memory
from tests.support import large
from tests.support.certificates import make, store

BYSTANDER, ATTACKER = "127.0.0.1", "127.0.0.2"
BODY = (demo_directory() / "exemplary.json").read_bytes()
UNKNOWN = b'{"episode_ref":"a",' + b",".join(b'"m%d":0' % n for n in range(700_000)) + b"}"
LARGEST = large.body(large.FIVE, 1950)
HEAD = b"POST /v1/reviews HTTP/1.1\r\nHost: x\r\nContent-Type: application/json\r\n"
TRIES = 3


@dataclass
class Target:
    """Where an attack goes. ``tls``: of callers; None where they speak plain HTTP."""

    service: Service
    port: int
    tls: ssl.SSLContext | None
    ended: threading.Event = field(default_factory=threading.Event)

    def open(self, source: str = ATTACKER, timeout: float = 20) -> socket.socket:
        made = socket.create_connection(("127.0.0.1", self.port), timeout, (source, 0))
        return self.tls.wrap_socket(made, server_hostname="127.0.0.1") if self.tls else made

    def post(self, body: bytes, source: str = ATTACKER) -> int:
        """One review on a connection of its own: its status."""
        with contextlib.closing(self.open(source)) as sock:
            sock.sendall(HEAD + b"Connection: close\r\nContent-Length: %d\r\n\r\n" % len(body) + body)
            answer = http.client.HTTPResponse(sock)
            answer.begin()
            answer.read()
            return answer.status


@dataclass
class Bystanders:
    """What happened to those who only want their review."""

    target: Target
    seconds: list[float] = field(default_factory=list)
    lost: int = 0

    def review(self) -> None:
        while not self.target.ended.is_set():
            began = time.monotonic()
            for _ in range(TRIES):
                with contextlib.suppress(OSError, http.client.HTTPException):
                    if self.target.post(BODY, BYSTANDER) == 200:
                        self.seconds.append(time.monotonic() - began)
                        break
                time.sleep(1)
            else:
                self.lost += 1
            time.sleep(0.05)

    def row(self) -> str:
        every = sorted(self.seconds)
        if not every:
            return f"0 | | | {self.lost}"
        p50, p99 = every[len(every) // 2], every[min(len(every) - 1, len(every) * 99 // 100)]
        return f"{len(every) + self.lost} | {p50 * 1000:.0f} | {p99 * 1000:.0f} | {self.lost}"


def _held(target: Target, sockets: int, first: bytes, drip: bytes = b"", every: float = 1) -> None:
    """Sockets that send ``first`` and read nothing; then ``drip`` now and then. One that is closed comes again."""
    open_ones: list[socket.socket] = []
    while not target.ended.is_set():
        with contextlib.suppress(OSError):
            while len(open_ones) < sockets and not target.ended.is_set():
                made = target.open(timeout=5)
                made.settimeout(0.2)
                open_ones.append(made)
                made.sendall(first)
        for each in list(open_ones) if drip else []:
            try:
                each.sendall(drip)
            except OSError:
                open_ones.remove(each)
                each.close()
        target.ended.wait(every)
    for each in open_ones:
        each.close()


def never_reading(target: Target, sockets: int) -> None:
    _held(target, sockets, b"GET /v1/formats HTTP/1.1\r\nHost: x\r\n\r\n" * 20)


def slow_heads(target: Target, sockets: int) -> None:
    _held(target, sockets, b"POST /v1/reviews HTTP/1.1\r\n", b"X-A: b\r\n")


def slow_bodies(target: Target, sockets: int) -> None:
    _held(target, sockets, HEAD + b"Content-Length: 100000\r\n\r\n{", b" ")


def idle(target: Target, sockets: int) -> None:
    _held(target, sockets, b"")


def _posts(target: Target, clients: int, body: bytes) -> None:
    def client() -> None:
        while not target.ended.is_set():
            with contextlib.suppress(OSError, http.client.HTTPException):
                target.post(body)
            target.ended.wait(0.1)

    threads = [threading.Thread(target=client) for _ in range(clients)]
    for each in threads:
        each.start()
    for each in threads:
        each.join()


def unknown_members(target: Target, _sockets: int) -> None:
    _posts(target, 4, UNKNOWN)


def largest_bodies(target: Target, _sockets: int) -> None:
    _posts(target, 4, LARGEST)


def killed_workers(target: Target, _sockets: int) -> None:
    while not target.ended.wait(1):
        workers = target.service.workers()
        if len(workers) > 1:
            os.kill(workers[0], signal.SIGKILL)


def restarts(target: Target, _sockets: int) -> None:
    while not target.ended.wait(3):
        target.service.child.send_signal(signal.SIGHUP)


def nothing(target: Target, _sockets: int) -> None:
    target.ended.wait()


#: Name -> what attacks, and whether it has sockets.
ATTACKS: dict[str, tuple[Callable[[Target, int], None], bool]] = {
    "nothing": (nothing, False),
    "sockets that say nothing": (idle, True),
    "answers that are not read": (never_reading, True),
    "slow heads": (slow_heads, True),
    "slow bodies": (slow_bodies, True),
    "700,000 unknown members, 4 at once": (unknown_members, False),
    "the largest record, 4 at once": (largest_bodies, False),
    "a worker killed each second": (killed_workers, False),
    "SIGHUP every 3 s": (restarts, False),
}
SOCKETS = (200, 400)


def attack(target: Target, name: str, sockets: int, seconds: float) -> tuple[Bystanders, float]:
    """Run one attack; what bystanders saw, and the most memory in MB."""
    target.ended.clear()
    seen, most = Bystanders(target), 0.0
    attacker = threading.Thread(target=ATTACKS[name][0], args=(target, sockets))
    others = [threading.Thread(target=seen.review) for _ in range(3)]
    attacker.start()
    time.sleep(1)
    for each in others:
        each.start()
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        most = max(most, memory(target.service.child.pid))
        time.sleep(0.2)
    target.ended.set()
    for each in (attacker, *others):
        each.join(60)
    return seen, most


@contextlib.contextmanager
def targets(folder: Path, proxied: bool, **settings: str) -> Iterator[Target]:
    with running(folder, LOG_LEVEL="error", **settings) as service:
        if not proxied:
            yield Target(service, service.port, None)
            return
        port = process.free_port()
        with proxy(folder, port, service.port) as ca:
            yield Target(service, port, ssl.create_default_context(cafile=ca))


def stalled_log(folder: Path, clients: int) -> tuple[Bystanders, float]:
    """Reviews while nobody reads the log, then SIGTERM: seconds until the end."""
    out, into = os.pipe()
    os.set_blocking(into, True)
    try:
        with running(folder, log=f"/proc/{os.getpid()}/fd/{into}", LOG_LEVEL="debug") as service:
            target = Target(service, service.port, None)
            seen, _ = attack(target, "nothing", clients, 8)
            began = time.monotonic()
            service.child.send_signal(signal.SIGTERM)
            service.child.wait(40)
            return seen, time.monotonic() - began
    finally:
        os.close(out)
        os.close(into)


def ended_under_load(folder: Path) -> float:
    """SIGTERM while bystanders send: seconds until the end."""
    with running(folder, LOG_LEVEL="error") as service:
        target = Target(service, service.port, None)
        loaded = threading.Thread(target=_posts, args=(target, 8, BODY))
        loaded.start()
        time.sleep(2)
        began = time.monotonic()
        service.child.send_signal(signal.SIGTERM)
        service.child.wait(40)
        took = time.monotonic() - began
        target.ended.set()
        loaded.join(60)
        return took


def client_certificates(folder: Path, seconds: float) -> tuple[Bystanders, float]:
    """TLS by the service, which asks for certificates; two hundred handshakes never end."""
    authority = make("authority")
    ca, _ = store(folder, "authority", authority)
    certificate, key = store(folder, "server", make("server", authority))
    client = make("client", authority)
    known = store(folder, "client", client)
    settings = {"TLS_CERTIFICATE_FILE": certificate, "TLS_KEY_FILE": key, "TLS_CLIENT_CA_FILE": ca}
    clients = folder / "clients.json"
    digest = hashlib.sha256(client[0].public_bytes(serialization.Encoding.DER)).hexdigest()
    entry = {"name": "charting", "scopes": ["review"], "certificates": [f"sha256:{digest}"]}
    clients.write_text(json.dumps({"clients": [entry]}), encoding="utf-8")
    with running(folder, LOG_LEVEL="error", CLIENTS_FILE=str(clients), **settings) as service:
        plain = Target(service, service.port, None)
        context = ssl.create_default_context(cafile=ca)
        context.load_cert_chain(*known)
        target = Target(service, service.port, context, plain.ended)
        shaking = threading.Thread(target=_held, args=(plain, 200, b"\x16\x03\x01"))
        shaking.start()
        found = attack(target, "nothing", 0, seconds)
        shaking.join(60)
        return found


def main() -> None:
    """Attack, and print a table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--only", help="part of the name of an attack")
    parser.add_argument("--seconds", type=float, default=8)
    arguments = parser.parse_args()
    wanted, seconds, faults = arguments.only or "", min(60, arguments.seconds), []

    def row(name: str, sockets: object, way: str, seen: Bystanders, more: str) -> None:
        print(f"| {name} | {sockets} | {way} | {seen.row()} | {more} |", flush=True)
        if seen.lost or not seen.seconds:
            faults.append(f"{name}, {sockets}, {way}: bystanders without an answer")

    print("| attack | sockets | way | reviews | p50, ms | p99, ms | lost | memory, MB, or what else |")
    print("|" + "---|" * 8)
    for proxied in (False, True) if shutil.which("nginx") else (False,):
        way = "proxy" if proxied else "straight"
        for name, (_, has_sockets) in ATTACKS.items():
            if wanted not in name:
                continue
            for sockets in SOCKETS if has_sockets else (0,):
                with tempfile.TemporaryDirectory() as made, targets(Path(made), proxied) as target:
                    seen, most = attack(target, name, sockets, seconds)
                row(name, sockets or "", way, seen, f"{most:.0f} MB")
    for workers in (1, 4, 16):
        if wanted in (name := f"{workers} workers, SIGHUP every 3 s"):
            with tempfile.TemporaryDirectory() as made, targets(Path(made), False, WORKERS=str(workers)) as target:
                seen, most = attack(target, "SIGHUP every 3 s", 0, seconds)
            row(name, "", "straight", seen, f"{most:.0f} MB")
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        if wanted in (name := "client certificates, 200 handshakes that do not end"):
            seen, most = client_certificates(folder, seconds)
            row(name, 200, "TLS", seen, f"{most:.0f} MB")
        if wanted in (name := "nobody reads the log, then SIGTERM"):
            seen, took = stalled_log(folder, 0)
            row(name, "", "straight", seen, f"ended in {took:.1f} s")
        if wanted in (name := "SIGTERM under load"):
            took = ended_under_load(folder)
            print(f"| {name} | 8 | straight | | | | | ended in {took:.1f} s |")
            if took > 25:
                faults.append(f"{name}: {took:.1f} s")
    print("\n".join(faults) or "\nEvery bystander had an answer.")
    raise SystemExit(bool(faults))


if __name__ == "__main__":
    main()
