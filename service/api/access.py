"""Who calls, what they may do, and how often: 401, 403 and 429, before anything of the request is read.

A caller shows an API key or a token as ``Authorization: Bearer`` (RFC 6750),
or a client certificate: to this service itself, or to a trusted proxy that
passes it on in ``Client-Cert`` (RFC 9440, or as URL-encoded PEM).
"""

from __future__ import annotations

import base64
import ipaddress
import os
import re
import ssl
import threading
import time
import urllib.parse
from collections import OrderedDict
from collections.abc import Callable
from pathlib import Path
from typing import Any, Generic, TypeVar

from flask import Flask, Request, g, request

from service import clients
from service.api import tokens
from service.api.problems import Refusal
from service.clients import Client
from service.observe import log
from service.presentation import cds_hooks
from service.settings import PREFIX, SCOPES, Settings, SettingsError

#: Route -> the scope it needs.
NEEDS: dict[str, str] = {
    "/v1/reviews": "review",
    "/try": "review",
    "/v1/batches": "batch",
    "/v1/measures": "batch",
    "/v1/rules": "rulebook",
    "/v1/rules/<key>": "rulebook",
    "/v1/profiles": "rulebook",
    "/v1/profiles/<key>": "rulebook",
    "/v1/facts": "rulebook",
    "/cds-services/<service>": "review",
    "/cds-services/<service>/feedback": "review",
    "/metrics": "metrics",
}
#: Open to all: they say nothing of anybody.
OPEN = frozenset({"/", "/openapi.yaml", "/v1/formats", "/cds-services", "/health/live", "/health/ready"})

_CHALLENGE = {"WWW-Authenticate": 'Bearer realm="restraint-review"'}
_LOOK_EVERY = 1.0
_MOST_COUNTED = 1024

T = TypeVar("T")


class Kept(Generic[T]):
    """What a file says, read again when the file changes; a change that cannot be used leaves what was there."""

    def __init__(self, path: Path, read: Callable[[bytes], T], name: str) -> None:
        """Raises SettingsError when the file cannot be used now."""
        self._path = path
        self._read = read
        self._name = name
        self._lock = threading.Lock()
        self._looked = time.monotonic()
        self._process = os.getpid()
        try:
            self._seen = self._look()
            self._value: T | None = read(path.read_bytes())
        except OSError:
            raise SettingsError([f"{PREFIX}{name} cannot be opened."]) from None
        except ValueError as error:
            raise SettingsError([f"{PREFIX}{name}: {error}."]) from None

    def _look(self) -> tuple[int, int, int]:
        found = self._path.stat()
        return found.st_mtime_ns, found.st_size, found.st_ino

    def value(self) -> T:
        """What holds now; the file is looked at once a second at most. Refusal 503 when nobody can say."""
        with self._lock:
            now, process = time.monotonic(), os.getpid()
            forked, self._process = process != self._process, process
            if forked or now - self._looked >= _LOOK_EVERY:
                self._looked = now
                self._look_again(forked)
            if self._value is None:
                raise Refusal("not-ready", headers={"Retry-After": "1"})
            return self._value

    def _look_again(self, forked: bool) -> None:
        try:
            seen = self._look()
            if seen != self._seen:
                self._seen = seen
                self._value = self._read(self._path.read_bytes())
                log.emit("info", "access-file-read", setting=self._name)
        except (OSError, ValueError) as error:
            if forked:
                # What the master read at its start may be older than what other workers hold: nobody is let in
                # by a key that has been taken away since.
                self._value = None
            log.emit("error", "access-file-not-read", setting=self._name, exception=type(error).__name__)


class Rate:
    """Requests a minute for each client, as a bucket that fills evenly and holds a tenth of a minute's worth."""

    def __init__(self, per_minute: int) -> None:
        self._per_second = per_minute / 60
        self._most = max(1.0, per_minute / 10)
        self._buckets: OrderedDict[str, tuple[float, float]] = OrderedDict()
        self._lock = threading.Lock()

    def wait(self, key: str) -> int:
        """0 when one more may pass, and it is counted; else the seconds until it may."""
        now = time.monotonic()
        with self._lock:
            level, then = self._buckets.pop(key, (self._most, now))
            level = min(self._most, level + (now - then) * self._per_second)
            passes = level >= 1
            self._buckets[key] = (level - 1 if passes else level, now)
            if len(self._buckets) > _MOST_COUNTED:
                self._buckets.popitem(last=False)
        return 0 if passes else int((1 - level) / self._per_second) + 1


class Access:
    """The answer to who calls."""

    def __init__(self, settings: Settings) -> None:
        """Raises SettingsError when a file cannot be used."""
        self._clients = Kept(settings.clients_file, clients.read, "CLIENTS_FILE") if settings.clients_file else None
        self._keys = Kept(settings.key_set_file, tokens.read, "KEY_SET_FILE") if settings.key_set_file else None
        self._tokens = tokens.Tokens(
            settings.token_issuer or "", settings.token_audience or "", frozenset(settings.token_scopes)
        )
        self._proxies = settings.trusted_proxies
        self._base_url = settings.base_url

    def client(self, asked: Request) -> Client | None:
        """Who calls; None when nobody that is known."""
        header = asked.headers.get("Authorization", "")
        scheme, _, credential = header.partition(" ")
        if scheme.lower() == "bearer":
            credential = credential.strip()
            if clients.is_key(credential):
                return self._clients.value().by_key(credential) if self._clients else None
            if self._keys is None:
                return None
            keys = self._keys.value()
            return self._tokens.client(credential, keys) or self._cds_client(asked, credential, keys)
        certificate = self._certificate(asked)
        if certificate is not None and self._clients is not None:
            return self._clients.value().by_certificate(certificate)
        return None

    def _cds_client(self, asked: Request, token: str, keys: tokens.Keys) -> Client | None:
        """A CDS Hooks client, whose token is for the address of the one service it calls and has no scopes."""
        if self._base_url is None or not asked.path.startswith("/cds-services/"):
            return None
        audience = self._base_url.rstrip("/") + asked.path
        issuer = cds_hooks.client_of(token, {self._tokens.issuer: keys.by_id}, audience, int(time.time()))
        return Client("token", frozenset({"review"}), f"issuer:{issuer}") if issuer else None

    def _certificate(self, asked: Request) -> bytes | None:
        """The certificate (DER) of the caller, verified by this server's TLS or by a trusted proxy."""
        if self._from_proxy(asked):
            return passed_on(asked.headers.get("Client-Cert", ""))
        sock: Any = asked.environ.get("gunicorn.socket")
        return sock.getpeercert(binary_form=True) if isinstance(sock, ssl.SSLSocket) else None

    def _from_proxy(self, asked: Request) -> bool:
        try:
            address = ipaddress.ip_address(asked.environ.get("REMOTE_ADDR", ""))
        except ValueError:
            return False
        return any(address in network for network in self._proxies)


def passed_on(header: str) -> bytes | None:
    """The certificate (DER) in a ``Client-Cert`` header; None when there is none that can be read."""
    try:
        if re.fullmatch(r":[A-Za-z0-9+/=]+:", header):
            return base64.b64decode(header[1:-1], validate=True)
        if header.startswith("-----BEGIN%20CERTIFICATE"):
            return ssl.PEM_cert_to_DER_cert(urllib.parse.unquote(header))
    except ValueError:
        pass
    return None


def register(app: Flask, settings: Settings) -> None:
    """Ask before every view. Raises SettingsError when a file cannot be used, KeyError for a route without a scope."""
    access = Access(settings) if settings.asks_who_calls else None
    rate = Rate(settings.requests_per_minute)

    @app.before_request
    def who_calls() -> None:
        # An address or method that is not there is refused first, to whoever asks.
        if access is None or request.routing_exception is not None or request.url_rule is None:
            return
        route = request.url_rule.rule
        if route in OPEN or request.method == "OPTIONS" or (route == "/metrics" and settings.operations_port):
            return
        client = access.client(request)
        if client is None:
            raise Refusal("unknown-caller", headers=_CHALLENGE)
        g.client = client.name
        if NEEDS[route] not in client.scopes:
            raise Refusal("not-allowed")
        seconds = rate.wait(client.key)
        if seconds:
            raise Refusal("too-many-requests", headers={"Retry-After": str(seconds)})


def check(app: Flask) -> None:
    """Every route is open or has a scope. Raises LookupError for one that was forgotten."""
    for rule in app.url_map.iter_rules():
        if rule.rule not in OPEN and NEEDS.get(rule.rule) not in SCOPES:
            raise LookupError("a route has no scope")
