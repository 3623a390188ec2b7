"""Clients that are slow cannot hold the workers; each limit as the settings say. Loopback only, bounded in time."""

from __future__ import annotations

import contextlib
import json
import socket
import threading
import time
from collections.abc import Iterator

import pytest

from service.resources import demo_directory
from tests.ops.running import JSON, Service, running

pytestmark = pytest.mark.live

BODY = (demo_directory() / "exemplary.json").read_bytes()
HEAD = b"POST /v1/reviews HTTP/1.1\r\nHost: x\r\nContent-Type: application/json\r\nContent-Length: 1000\r\n\r\n"


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    folder = tmp_path_factory.mktemp("slow")
    settings = {"WORKERS": "1", "IN_HAND": "4", "HEAD_SECONDS": "2", "BODY_SECONDS": "8"}
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


def test_bodies_that_trickle_make_room_for_others(service: Service) -> None:
    """More slow bodies than places: refused with 429 beyond them, and the rest of the service answers at once."""
    with slow(service, 12, HEAD):
        time.sleep(0.5)
        began = time.monotonic()
        assert service.call("GET", "/health/ready")[0] == 200
        assert time.monotonic() - began < 4
        statuses = []
        while not statuses or statuses[-1] == 429:
            status, headers, body = service.call("POST", "/v1/reviews", BODY, JSON)
            statuses.append(status)
            if status == 429:
                assert json.loads(body)["code"] == "too-busy"
                assert headers["Retry-After"] == "1"
                time.sleep(0.5)
            assert time.monotonic() - began < 20
        assert statuses[-1] == 200


def test_one_more_than_the_hands_is_429(service: Service) -> None:
    with slow(service, 4, HEAD):
        time.sleep(0.8)
        began = time.monotonic()
        status, headers, _ = service.call("POST", "/v1/reviews", BODY, JSON)
        assert (status, headers["Retry-After"]) == (429, "1")
        assert time.monotonic() - began < 1.5
    time.sleep(1)
    assert service.call("POST", "/v1/reviews", BODY, JSON)[0] == 200
