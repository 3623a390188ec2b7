"""The service as it really runs: gunicorn, sockets, processes. Loopback only, bounded in time."""

from __future__ import annotations

import http.client
import json
import socket
import subprocess
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.parse import urlsplit

import pytest

from service.api import request_body
from service.server import process
from service.settings import PREFIX
from tests.contract.checked import Contract

pytestmark = pytest.mark.live

CANARY = "Zq7canaryXw"
MIB = 1024 * 1024
BODY_SECONDS = 3


class Live:
    """A running service with its log in a file."""

    def __init__(self, base: str, child: subprocess.Popen[bytes], log: Path) -> None:
        self.child = child
        self.base = base
        self.address = (urlsplit(base).hostname, urlsplit(base).port)
        self.log = log
        self._contract = Contract()

    @contextmanager
    def connection(self) -> Iterator[socket.socket]:
        with socket.create_connection(self.address, timeout=30) as sock:
            yield sock

    def call(
        self, method: str, path: str, body: bytes = b"", headers: dict[str, str] | None = None
    ) -> tuple[int, bytes]:
        """One request on a connection of its own, held against the contract."""
        with (
            process.session() as session,
            session.request(method, self.base + path, data=body or None, headers=headers, timeout=30) as response,
        ):
            headers_as_sent = list(response.raw.headers.items())
            return self._checked(method, path, body, response.status_code, headers_as_sent, response.content)

    def answer(self, sock: socket.socket, method: str, path: str) -> tuple[int, bytes]:
        """Read an answer off a raw socket, held against the contract."""
        response = http.client.HTTPResponse(sock, method=method)
        response.begin()
        content = response.read()
        return self._checked(method, path, b"", response.status, response.getheaders(), content)

    def _checked(
        self, method: str, path: str, sent: bytes, status: int, headers: list[tuple[str, str]], content: bytes
    ) -> tuple[int, bytes]:
        assert len({name.lower() for name, _ in headers}) == len(headers), "a header comes twice"
        self._contract.check(method, path.partition("?")[0], sent, status, headers, content)
        return status, content

    def lines(self) -> list[dict[str, object]]:
        return [json.loads(line) for line in self.log.read_text("utf-8").splitlines()]


@pytest.fixture(scope="module")
def live(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Live]:
    log = tmp_path_factory.mktemp("log") / "log"
    with (
        log.open("wb") as stderr,
        process.running({f"{PREFIX}BODY_SECONDS": str(BODY_SECONDS)}, stderr) as (base, child),
    ):
        yield Live(base, child, log)


def _head(method: str, path: str, content_type: str, framing: str) -> bytes:
    return f"{method} {path} HTTP/1.1\r\nHost: x\r\nContent-Type: {content_type}\r\n{framing}\r\n\r\n".encode()


_JSON = "application/json"


@pytest.mark.parametrize(
    ("method", "path", "content_type", "size", "status"),
    [
        ("POST", "/nowhere", _JSON, 9 * MIB, 404),
        ("PUT", "/v1/reviews", _JSON, 9 * MIB, 405),
        ("POST", "/v1/reviews", "text/plain", 9 * MIB, 415),
        ("POST", "/v1/reviews", _JSON, 9 * MIB, 413),
        ("POST", "/v1/reviews", _JSON, 40 * MIB, 413),
    ],
)
@pytest.mark.parametrize("chunked", [False, True], ids=["length", "chunked"])
def test_a_client_that_sends_before_it_reads_sees_the_refusal(
    live: Live, method: str, path: str, content_type: str, size: int, status: int, chunked: bool
) -> None:
    framing = "Transfer-Encoding: chunked" if chunked else f"Content-Length: {size}"
    with live.connection() as sock:
        sock.sendall(_head(method, path, content_type, framing))
        piece = b" " * MIB
        for _ in range(size // MIB):
            sock.sendall(b"100000\r\n" + piece + b"\r\n" if chunked else piece)
        if chunked:
            sock.sendall(b"0\r\n\r\n")
        assert live.answer(sock, method, path)[0] == status
        # The connection is whole: the next request on it is answered.
        sock.sendall(b"GET /health/live HTTP/1.1\r\nHost: x\r\n\r\n")
        assert live.answer(sock, "GET", "/health/live")[0] == 200


def test_a_stranger_is_not_read_for_ever(live: Live) -> None:
    """A body that never comes, on an address that is not there: the answer comes after the stranger's seconds."""
    with live.connection() as sock:
        began = time.monotonic()
        sock.sendall(_head("POST", "/nowhere", _JSON, "Content-Length: 1000"))
        assert live.answer(sock, "POST", "/nowhere")[0] == 404
        assert request_body.STRANGER.seconds <= time.monotonic() - began < request_body.STRANGER.seconds + 2


def test_a_body_that_trickles_is_408_and_frees_its_thread(live: Live) -> None:
    with live.connection() as sock:
        began = time.monotonic()
        sock.sendall(_head("POST", "/v1/reviews", _JSON, "Content-Length: 1000"))
        stop = threading.Event()

        def trickle() -> None:
            while not stop.wait(0.5):
                try:
                    sock.sendall(b" ")
                except OSError:
                    return

        sender = threading.Thread(target=trickle)
        sender.start()
        try:
            status, body = live.answer(sock, "POST", "/v1/reviews")
        finally:
            stop.set()
            sender.join()
        assert (status, json.loads(body)["code"]) == (408, "body-too-slow")
        assert BODY_SECONDS <= time.monotonic() - began < BODY_SECONDS + 3


@pytest.mark.parametrize(
    "rest",
    [b'5\r\n{"a":\r\nZZ\r\n', b"ffffffffffffffffffff;;;\r\n", b"2\r\n{}}}\r\n0\r\n\r\n"],
    ids=["size that is none", "bad extension", "longer than its size"],
)
def test_broken_chunks_are_400(live: Live, rest: bytes) -> None:
    with live.connection() as sock:
        sock.sendall(_head("POST", "/v1/reviews", _JSON, "Transfer-Encoding: chunked") + rest)
        sock.shutdown(socket.SHUT_WR)
        status, body = live.answer(sock, "POST", "/v1/reviews")
        assert (status, json.loads(body)["code"]) == (400, "incomplete-body")


def test_a_body_cut_short_is_400(live: Live) -> None:
    with live.connection() as sock:
        sock.sendall(_head("POST", "/v1/reviews", _JSON, "Content-Length: 100") + b'{"episode_ref":"a"}')
        sock.shutdown(socket.SHUT_WR)
        status, body = live.answer(sock, "POST", "/v1/reviews")
        assert (status, json.loads(body)["code"]) == (400, "incomplete-body")


def test_two_workers_give_the_same_bytes(live: Live, exemplary_bytes: bytes) -> None:
    answers = {live.call("POST", "/v1/reviews", exemplary_bytes, {"Content-Type": _JSON}) for _ in range(40)}
    assert len(answers) == 1
    assert answers.pop()[0] == 200
    workers = {line["pid"] for line in live.lines() if line.get("route") == "/v1/reviews"}
    assert len(workers) == 2, "both workers have to have answered"


def test_nothing_of_a_request_is_logged(live: Live) -> None:
    body = json.dumps({"episode_ref": CANARY, "narrative": CANARY}).encode()
    headers = {"Content-Type": _JSON, "User-Agent": CANARY, "X-Other": CANARY, "Cookie": CANARY}
    assert live.call("POST", "/v1/reviews", body, headers)[0] == 200
    assert live.call("POST", "/v1/reviews", body + CANARY.encode(), headers)[0] == 400
    assert live.call("POST", "/v1/reviews", b'{"episode_ref":"a","' + CANARY.encode() + b'":1}', headers)[0] == 422
    assert live.call("GET", f"/{CANARY}", b"", headers)[0] == 404
    assert live.call("POST", f"/v1/reviews?{CANARY}={CANARY}", body, headers)[0] == 400
    for raw in (
        f"{CANARY} / HTTP/1.1\r\n\r\n",
        f"GET / HTTP/1.1\r\n{CANARY}\r\n\r\n",
        f"GET /{CANARY} {CANARY}\r\n\r\n",
    ):
        with live.connection() as sock:
            sock.sendall(raw.encode())
            assert sock.recv(65536).startswith(b"HTTP/1.1 4"), "the server's own refusal"
    time.sleep(0.2)
    written = live.log.read_text("utf-8")
    assert CANARY not in written
    events = {line["event"] for line in live.lines()}
    assert {"request", "bad-http", "server-listening", "worker-ready"} <= events
    assert "server-message" not in events, "a message of the server that has no event"


@pytest.mark.parametrize("host", ["a b", "[::", "\x7f", "", "x:y:z", "xn--\xff"])
@pytest.mark.parametrize(
    "path", ["/v1/rules", f"//{CANARY}/v1/rules", f"/v1//{CANARY}", f"/{CANARY}/../x", "/%00%ff%0d%0a"]
)
def test_odd_hosts_and_paths_are_never_a_crash(live: Live, host: str, path: str) -> None:
    with live.connection() as sock:
        sock.sendall(f"GET {path} HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\r\n".encode("latin-1"))
        answer = b""
        while part := sock.recv(65536):
            answer += part
    assert answer.startswith((b"HTTP/1.1 200", b"HTTP/1.1 4"))
    assert CANARY.encode() not in answer


@pytest.mark.parametrize(
    ("raw", "status"),
    [
        (b"nonsense\r\n\r\n", 400),
        (b"GET / HTTP/1.1\r\nno colon\r\n\r\n", 400),
        (b"GET /" + b"a" * 5000 + b" HTTP/1.1\r\n\r\n", 414),
        (b"POST /v1/reviews HTTP/1.1\r\nExpect: 200-maybe\r\nContent-Length: 1\r\n\r\n", 417),
        (b"GET / HTTP/1.1\r\n" + b"".join(b"X-%d: a\r\n" % n for n in range(60)) + b"\r\n", 431),
        (b"GET / HTTP/1.1\r\nX-A: " + b"a" * 9000 + b"\r\n\r\n", 431),
        (b"POST /v1/reviews HTTP/1.1\r\nTransfer-Encoding: nonsense\r\n\r\n", 501),
        (b"POST /v1/reviews HTTP/1.1\r\nHost: x\r\nTransfer-Encoding: gzip, chunked\r\n\r\n2\r\n{}\r\n0\r\n\r\n", 501),
        (b"POST /v1/reviews HTTP/1.1\r\nHost: x\r\nExpect: 100-continue\r\nContent-Length: 99000000\r\n\r\n", 413),
        (b"GET /v1/rules HTTP/1.1\r\n\r\n", 400),
    ],
    ids=lambda each: str(each)[:30],
)
def test_what_the_server_refuses_by_itself_is_as_the_contract_says(live: Live, raw: bytes, status: int) -> None:
    with live.connection() as sock:
        sock.sendall(raw)
        answer = sock.recv(65536)
    assert answer.startswith(b"HTTP/1.1 %d " % status), answer[:100]
    assert b"Content-Type: application/problem+json" in answer
    assert b"nonsense" not in answer and b"200-maybe" not in answer


def test_sigterm_ends_cleanly(tmp_path: Path) -> None:
    log = tmp_path / "log"
    with log.open("wb") as stderr, process.running(stderr=stderr) as (base, child):
        service = Live(base, child, log)
        assert service.call("GET", "/health/ready")[0] == 200
        assert process.end(child) == 0
        with pytest.raises(OSError), service.connection():
            pass
    assert [line["event"] for line in service.lines()][-1] == "server-stopping"
    assert not [line for line in service.lines() if line["level"] == "error"]
