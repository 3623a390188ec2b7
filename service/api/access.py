"""Who calls, what they may do, and how often: 401, 403 and 429, before anything of the request is read.

A caller shows an API key or a token as ``Authorization: Bearer`` (RFC 6750),
or a client certificate: to this service itself, or to a trusted proxy that
passes it on in ``Client-Cert`` (RFC 9440, or as URL-encoded PEM).
"""

from __future__ import annotations

import ssl
from typing import Any

from flask import Flask, Request, g, request

from service.access.callers import Callers
from service.access.certificates import passed_on
from service.access.clients import Client
from service.access.files import NobodyKnows
from service.access.rate import Rate
from service.access.scopes import NEEDS, OPEN
from service.settings import SCOPES, Settings

from .problems import Refusal

_CHALLENGE = {"WWW-Authenticate": 'Bearer realm="restraint-review"'}


def register(app: Flask, settings: Settings) -> None:
    """Ask before every view. Raises SettingsError when a file cannot be used, KeyError for a route without a scope."""
    callers = Callers(settings) if settings.asks_who_calls else None
    rate = Rate(settings.requests_per_minute)

    @app.before_request
    def who_calls() -> None:
        # An address or method that is not there is refused first, to whoever asks.
        if callers is None or request.routing_exception is not None or request.url_rule is None:
            return
        route = request.url_rule.rule
        if route in OPEN or request.method == "OPTIONS" or (route == "/metrics" and settings.operations_port):
            return
        try:
            client = _client(callers, request)
        except NobodyKnows:
            raise Refusal("not-ready", headers={"Retry-After": "1"}) from None
        if client is None:
            raise Refusal("unknown-caller", headers=_CHALLENGE)
        g.client = client.name
        if NEEDS[route] not in client.scopes:
            raise Refusal("not-allowed")
        seconds = rate.wait(client.key)
        if seconds:
            raise Refusal("too-many-requests", headers={"Retry-After": str(seconds)})


def _client(callers: Callers, asked: Request) -> Client | None:
    scheme, _, credential = asked.headers.get("Authorization", "").partition(" ")
    if scheme.lower() == "bearer":
        return callers.by_header(credential.strip(), asked.path)
    return callers.by_certificate(_certificate(callers, asked))


def _certificate(callers: Callers, asked: Request) -> bytes | None:
    """The certificate (DER) of the caller, verified by this server's TLS or by a trusted proxy."""
    if callers.is_trusted_proxy(asked.environ.get("REMOTE_ADDR", "")):
        return passed_on(asked.headers.get("Client-Cert", ""))
    sock: Any = asked.environ.get("gunicorn.socket")
    return sock.getpeercert(binary_form=True) if isinstance(sock, ssl.SSLSocket) else None


def check(app: Flask) -> None:
    """Every route is open or has a scope. Raises LookupError for one that was forgotten."""
    for rule in app.url_map.iter_rules():
        if rule.rule not in OPEN and NEEDS.get(rule.rule) not in SCOPES:
            raise LookupError("a route has no scope")
