"""TLS by the service itself, client certificates, and the second port. Certificates are made here. Loopback only."""

from __future__ import annotations

import contextlib
import hashlib
import http.client
import json
import socket
import ssl
import time
from pathlib import Path

import pytest
from cryptography.hazmat.primitives import serialization

from service.resources import demo_directory
from service.server import process
from tests.ops.running import JSON, running
from tests.support.certificates import make, store

pytestmark = pytest.mark.live

BODY = (demo_directory() / "exemplary.json").read_bytes()


def test_client_certificates(tmp_path: Path) -> None:
    authority = make("authority")
    ca, _ = store(tmp_path, "authority", authority)
    own = store(tmp_path, "server", make("server", authority))
    known, unknown = make("charting", authority), make("stranger", authority)
    digest = hashlib.sha256(known[0].public_bytes(serialization.Encoding.DER)).hexdigest()
    entry = {"name": "charting", "scopes": ["review"], "certificates": [f"sha256:{digest}"]}
    clients = tmp_path / "clients.json"
    clients.write_text(json.dumps({"clients": [entry]}))
    settings = {
        "WORKERS": "1", "TLS_CERTIFICATE_FILE": own[0], "TLS_KEY_FILE": own[1], "TLS_CLIENT_CA_FILE": ca,
        "CLIENTS_FILE": str(clients), "BODY_SECONDS": "2",
    }  # fmt: skip
    with running(tmp_path, **settings) as service:

        def call(pair: tuple[str, str] | None, body: bytes = BODY, length: int | None = None) -> tuple[int, bytes]:
            context = ssl.create_default_context(cafile=ca)
            if pair:
                context.load_cert_chain(*pair)
            connection = http.client.HTTPSConnection("127.0.0.1", service.port, timeout=20, context=context)
            with contextlib.closing(connection):
                connection.request("POST", "/v1/reviews", body, {**JSON, "Content-Length": str(length or len(body))})
                answer = connection.getresponse()
                return answer.status, answer.read()

        good = store(tmp_path, "good", known)
        assert call(good)[0] == 200
        assert call(None)[0] == 401
        assert call(store(tmp_path, "other", unknown))[0] == 401
        with pytest.raises((ssl.SSLError, ConnectionError)):
            call(store(tmp_path, "foreign", make("charting", make("another authority"))))
        began = time.monotonic()
        assert call(good, b"{", 100)[0] == 408
        assert time.monotonic() - began < 10
        # TLS 1.1 is not spoken, and a handshake that never comes holds nobody up.
        old = ssl.create_default_context(cafile=ca)
        with pytest.warns(DeprecationWarning):
            old.maximum_version = ssl.TLSVersion.TLSv1_1
        with socket.create_connection(("127.0.0.1", service.port), timeout=10) as sock, pytest.raises(ssl.SSLError):
            old.wrap_socket(sock, server_hostname="127.0.0.1")
        idle = [socket.create_connection(("127.0.0.1", service.port), timeout=10) for _ in range(30)]
        try:
            for sock in idle:
                sock.sendall(b"\x16\x03\x01")
            assert call(good)[0] == 200
        finally:
            for sock in idle:
                sock.close()


def test_a_renewed_certificate_that_cannot_be_read_is_told_by_name_and_the_old_one_serves(tmp_path: Path) -> None:
    authority = make("authority")
    ca, _ = store(tmp_path, "authority", authority)
    certificate, key = store(tmp_path, "server", make("server", authority))
    settings = {"WORKERS": "1", "TLS_CERTIFICATE_FILE": certificate, "TLS_KEY_FILE": key}
    with running(tmp_path, **settings) as service:

        def told(event: str) -> bool:
            end = time.monotonic() + 20
            while time.monotonic() < end:
                if [line for line in service.lines() if line["event"] == event]:
                    return True
                time.sleep(0.1)
            return False

        def served() -> int:
            context = ssl.create_default_context(cafile=ca)
            with contextlib.closing(
                http.client.HTTPSConnection("127.0.0.1", service.port, timeout=20, context=context)
            ) as connection:
                connection.request("GET", "/health/ready")
                return connection.getresponse().status

        Path(certificate).write_text("half a certif")
        assert told("certificate-not-read")
        assert served() == 200
        store(tmp_path, "server", make("server", authority))
        assert told("certificate-read")
        assert served() == 200


def test_health_and_metrics_on_a_second_port(tmp_path: Path) -> None:
    second = process.free_port()
    with running(tmp_path, OPERATIONS_PORT=str(second), WORKERS="1") as service:

        def status(port: int, path: str, host: str = "x") -> int:
            with contextlib.closing(http.client.HTTPConnection("127.0.0.1", port, timeout=10)) as connection:
                connection.request("GET", path, headers={"Host": host})
                return connection.getresponse().status

        assert status(second, "/health/ready") == status(service.port, "/health/ready") == 200
        assert status(second, "/metrics") == 200
        assert status(service.port, "/metrics") == 404
        assert status(service.port, "/metrics", f"127.0.0.1:{second}") == 404, (
            "what the caller says of the port is nothing"
        )
        assert status(second, "/v1/rules") == status(second, "/") == 404
        assert status(service.port, "/v1/rules") == 200
