"""TLS by the service itself, client certificates, and the second port. Certificates are made here. Loopback only."""

from __future__ import annotations

import contextlib
import datetime
import hashlib
import http.client
import ipaddress
import json
import socket
import ssl
import time
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

from service import server
from service.resources import demo_directory
from tests.ops.running import JSON, running

pytestmark = pytest.mark.live

BODY = (demo_directory() / "exemplary.json").read_bytes()
Pair = tuple[x509.Certificate, ec.EllipticCurvePrivateKey]


def make(name: str, by: Pair | None = None) -> Pair:
    """A certificate and its key, signed by ``by``, else by itself as an authority."""
    key = ec.generate_private_key(ec.SECP256R1())
    subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
    now = datetime.datetime.now(datetime.UTC)
    built = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(by[0].subject if by else subject)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - datetime.timedelta(hours=1))
        .not_valid_after(now + datetime.timedelta(hours=1))
        .add_extension(x509.BasicConstraints(ca=by is None, path_length=None), critical=True)
        .add_extension(x509.SubjectAlternativeName([x509.IPAddress(ipaddress.ip_address("127.0.0.1"))]), critical=False)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
    )
    if by:
        issuer = x509.AuthorityKeyIdentifier.from_issuer_public_key(by[1].public_key())
        built = built.add_extension(issuer, critical=False)
    return built.sign(by[1] if by else key, hashes.SHA256()), key


def store(folder: Path, name: str, pair: Pair) -> tuple[str, str]:
    certificate, key = folder / f"{name}.pem", folder / f"{name}.key"
    certificate.write_bytes(pair[0].public_bytes(serialization.Encoding.PEM))
    key.write_bytes(
        pair[1].private_bytes(
            serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
        )
    )
    return str(certificate), str(key)


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
        # A body that does not come ends the connection: an interrupted TLS reading cannot be followed by an answer.
        began = time.monotonic()
        with pytest.raises((ssl.SSLError, ConnectionError, http.client.HTTPException)):
            call(good, b"{", 100)
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


def test_health_and_metrics_on_a_second_port(tmp_path: Path) -> None:
    second = server.free_port()
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
