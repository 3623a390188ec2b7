"""Certificates made for a test: valid for an hour, for 127.0.0.1."""

from __future__ import annotations

import datetime
import ipaddress
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

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
