"""The TLS proxy of the compose file in front of the real service. Needs nginx; loopback only."""

from __future__ import annotations

import contextlib
import gzip
import http.client
import json
import shutil
import ssl
import time
from pathlib import Path

import pytest

from service.resources import demo_directory
from service.server import process
from tests.ops.image import proxy
from tests.ops.running import JSON, running

pytestmark = [
    pytest.mark.live,
    pytest.mark.skipif(shutil.which("nginx") is None, reason="nginx is not installed (Debian: nginx-light)"),
]
BODY = (demo_directory() / "exemplary.json").read_bytes()


def test_the_proxy_answers_for_a_worker_that_died(tmp_path: Path) -> None:
    secure = process.free_port()
    with running(tmp_path, "tests.ops.crashing") as service, proxy(tmp_path, secure, service.port) as ca:
        context = ssl.create_default_context(cafile=ca)

        def call(headers: dict[str, str], body: bytes = BODY) -> tuple[int, dict[str, str], bytes]:
            connection = http.client.HTTPSConnection("127.0.0.1", secure, timeout=60, context=context)
            with contextlib.closing(connection):
                connection.request("POST", "/v1/reviews", body, {**JSON, **headers})
                answer = connection.getresponse()
                return answer.status, dict(answer.getheaders()), answer.read()

        status, headers, content = call({})
        assert (status, headers["Strict-Transport-Security"]) == (200, "max-age=31536000")
        assert content == service.call("POST", "/v1/reviews", BODY, JSON)[2]
        # No second worker is asked: the answer is the proxy's own, and the client may send again.
        status, headers, content = call({"X-Test-Segfault": "1"})
        assert (status, headers["Content-Type"], headers["Retry-After"]) == (503, "application/problem+json", "1")
        assert json.loads(content)["status"] == 503
        for _ in range(200):
            if call({})[0] == 200:
                break
            time.sleep(0.1)
        assert call({})[0] == 200
        assert call({}, b" " * 9_000_000)[0] == 413
        assert not list((tmp_path / "client").glob("**/*.*")), "no body was put into a file"


def test_answers_and_pages_are_compressed(tmp_path: Path) -> None:
    secure = process.free_port()
    body = (demo_directory() / "everything-wrong.json").read_bytes()
    with process.running() as (base, _), proxy(tmp_path, secure, int(base.rpartition(":")[2])) as ca:
        context = ssl.create_default_context(cafile=ca)

        def call(accept: str, coding: str) -> tuple[dict[str, str], bytes]:
            connection = http.client.HTTPSConnection("127.0.0.1", secure, timeout=60, context=context)
            with contextlib.closing(connection):
                connection.request("POST", "/v1/reviews", body, {**JSON, "Accept": accept, "Accept-Encoding": coding})
                answer = connection.getresponse()
                assert answer.status == 200
                return dict(answer.getheaders()), answer.read()

        for accept in ("application/json", "application/fhir+json", "application/xml", "text/html"):
            plain_headers, plain = call(accept, "identity")
            headers, packed = call(accept, "gzip")
            assert "Content-Encoding" not in plain_headers
            assert (headers["Content-Encoding"], headers["Vary"]) == ("gzip", "Accept-Encoding"), accept
            assert gzip.decompress(packed) == plain
            assert len(packed) * 3 < len(plain), accept
            assert headers["Cache-Control"] == "no-store"
