"""What the server makes sure of before it listens: that the addresses are free, and that its certificate can be used.

Every worker has a listener of its own on one port (``SO_REUSEPORT``), and so
could those of a second server of the same user: callers would then be
answered by either, under whatever rules each has. So the server claims its
addresses first.
"""

from __future__ import annotations

import errno
import os
import socket
import ssl
import sys

from service.settings import PREFIX, Settings


class CannotListen(Exception):
    """The server cannot listen as it is told to. Its text is one line for the log."""


def take_addresses(host: str, ports: list[int]) -> None:
    """Take the addresses for this server. Raises CannotListen when another process has one, or nobody can have it."""
    for port in ports:
        address = f"{host} port {port}"
        try:
            _lock(f"{host}:{port}")
            _probe(host, port)
        except OSError as error:
            raise CannotListen(f"{address}: {_reason(error.errno)}") from None


def _reason(number: int | None) -> str:
    if number == errno.EADDRINUSE:
        return "another process listens there already. Stop it, or choose another port."
    if number == errno.EADDRNOTAVAIL:
        return "this machine has no such address."
    return f"cannot be listened on: {os.strerror(number or 0)}."


def _lock(name: str) -> None:
    """Hold a name that one process of this network can hold, so that of two that start at once one is refused."""
    if sys.platform != "linux":
        return
    held = socket.socket(socket.AF_UNIX)
    try:
        # In the abstract namespace: no file, gone with its holders, and as wide as the ports themselves.
        held.bind(f"\0restraint-review {name}")
    except OSError:
        held.close()
        raise
    held.detach()  # never closed: held as long as this process or one of its workers lives


def _probe(host: str, port: int) -> None:
    """Bind without sharing, which fails where anybody listens; connections of an earlier server do not count."""
    with socket.socket(socket.AF_INET6 if ":" in host else socket.AF_INET) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
        except socket.gaierror:
            raise OSError(errno.EADDRNOTAVAIL, "") from None


def check_certificate(settings: Settings) -> None:
    """Raises CannotListen when certificate, key and authorities cannot be used together."""
    if settings.tls_certificate_file is None:
        return
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    try:
        # An empty password, because a key that needs one would be asked for on the terminal.
        context.load_cert_chain(settings.tls_certificate_file, settings.tls_key_file, password="")
    except OSError:  # of which the errors of TLS are a kind
        raise CannotListen(
            f"{PREFIX}TLS_CERTIFICATE_FILE and {PREFIX}TLS_KEY_FILE cannot be used together: both PEM, readable, "
            "the key without a password and that of the first certificate."
        ) from None
    if settings.tls_client_ca_file:
        try:
            context.load_verify_locations(settings.tls_client_ca_file)
        except OSError:
            raise CannotListen(f"{PREFIX}TLS_CLIENT_CA_FILE cannot be used: certificates in PEM, readable.") from None
