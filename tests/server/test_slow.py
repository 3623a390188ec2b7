"""Clients that are slow cannot hold the workers; each limit as the settings say. Loopback only, bounded in time."""

from __future__ import annotations

import contextlib
import http.client
import json
import socket
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from service.resources import demo_directory
from service.server import process
from tests.ops.running import JSON, Service, running

pytestmark = pytest.mark.live

BODY = (demo_directory() / "exemplary.json").read_bytes()
HEAD = b"POST /v1/reviews HTTP/1.1\r\nHost: x\r\nContent-Type: application/json\r\nContent-Length: 1000\r\n\r\n"


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    folder = tmp_path_factory.mktemp("slow")
    settings = {"WORKERS": "1", "IN_HAND": "4", "HEAD_SECONDS": "2", "BODY_SECONDS": "8", "HELD_BYTES": "1200000"}
    with running(folder, "tests.ops.crashing", **settings) as started:
        yield started


@contextlib.contextmanager
def slow(service: Service, count: int, first: bytes) -> Iterator[list[socket.socket]]:
    """Connections that have sent ``first`` and send a byte now and then."""
    sockets = [socket.create_connection(("127.0.0.1", service.port), timeout=20) for _ in range(count)]
    stop = threading.Event()

    def trickle() -> None:
        while not stop.wait(0.3):
            for each in sockets:
                with contextlib.suppress(OSError):
                    each.sendall(b"x")

    for each in sockets:
        each.sendall(first)
    thread = threading.Thread(target=trickle)
    if first:
        thread.start()
    try:
        yield sockets
    finally:
        stop.set()
        if first:
            thread.join()
        for each in sockets:
            each.close()


@pytest.mark.parametrize(
    ("first", "most_seconds"),
    [(b"", 1.5), (b"POST /v1/reviews HTTP/1.1\r\nX-A: ", 10.0)],
    ids=["nothing sent", "head that trickles"],
)
def test_connections_that_do_not_finish_their_head(service: Service, first: bytes, most_seconds: float) -> None:
    with slow(service, 24, first):
        began = time.monotonic()
        assert service.call("POST", "/v1/reviews", BODY, JSON)[0] == 200
        assert time.monotonic() - began < most_seconds


def test_a_head_that_does_not_come_is_ended(service: Service) -> None:
    with slow(service, 1, b"GET / HTTP/1.1\r\nX-A: ") as (sock,):
        began = time.monotonic()
        with contextlib.suppress(ConnectionError):
            assert sock.recv(100) == b""
        assert 1.5 <= time.monotonic() - began < 5


def test_bodies_that_trickle_cost_others_nothing(service: Service) -> None:
    """Far more slow bodies than reviews in hand: each costs a connection, and no place."""
    with slow(service, 50, HEAD):
        time.sleep(0.5)
        for _ in range(5):
            began = time.monotonic()
            assert service.call("POST", "/v1/reviews", BODY, JSON)[0] == 200
            assert service.call("GET", "/health/ready")[0] == 200
            assert time.monotonic() - began < 2


def test_a_body_that_does_not_come_is_408(service: Service) -> None:
    with slow(service, 1, HEAD) as (sock,):
        sock.settimeout(20)
        began = time.monotonic()
        assert sock.recv(1000).startswith(b"HTTP/1.1 408 ")
        assert 7 < time.monotonic() - began < 12


def test_bytes_that_are_held_have_a_limit(service: Service) -> None:
    """Bodies that are nearly whole fill the room for them; one more is refused until they go."""
    head = HEAD.replace(b"Content-Length: 1000", b"Content-Length: 400000")
    with slow(service, 3, head + b" " * 395_000):
        time.sleep(1)
        status, headers, body = service.call("POST", "/v1/reviews", BODY, JSON)
        assert (status, headers["Retry-After"], json.loads(body)["code"]) == (429, "1", "too-busy")
        assert service.call("GET", "/health/ready")[0] == 200
    time.sleep(0.5)
    assert service.call("POST", "/v1/reviews", BODY, JSON)[0] == 200


def test_answers_that_are_not_read_cost_others_nothing(service: Service) -> None:
    """Pipelined requests for a large document, never read."""
    with slow(service, 50, b"GET /v1/formats HTTP/1.1\r\nHost: x\r\n\r\n" * 20):
        time.sleep(0.5)
        for _ in range(5):
            began = time.monotonic()
            assert service.call("POST", "/v1/reviews", BODY, JSON)[0] == 200
            assert service.call("GET", "/health/ready")[0] == 200
            assert time.monotonic() - began < 5


def test_a_full_port_makes_room_and_leaves_the_other_alone(tmp_path: Path) -> None:
    second = process.free_port()
    settings = {"WORKERS": "1", "CONNECTIONS": "20", "HEAD_SECONDS": "30", "OPERATIONS_PORT": str(second)}
    with running(tmp_path, **settings) as service, slow(service, 40, b"GET / HTTP/1.1\r\nX-A: "):
        began = time.monotonic()
        for _ in range(5):
            with contextlib.closing(http.client.HTTPConnection("127.0.0.1", second, timeout=5)) as probe:
                probe.request("GET", "/health/ready")
                assert probe.getresponse().status == 200
        assert time.monotonic() - began < 1
        # The longest idle are ended a tenth at a time.
        assert service.call("POST", "/v1/reviews", BODY, JSON)[0] == 200
        assert time.monotonic() - began < 15
