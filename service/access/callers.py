"""Who calls: by API key or token (``Authorization: Bearer``, RFC 6750), or by client certificate."""

from __future__ import annotations

import ipaddress
import time

from service.settings import Settings

from . import clients, tokens
from .cds_tokens import client_of
from .clients import Client
from .files import WatchedFile


class Callers:
    """The clients that the settings name."""

    def __init__(self, settings: Settings) -> None:
        """Raises SettingsError when a file cannot be used."""
        self._clients = (
            WatchedFile(settings.clients_file, clients.read, "CLIENTS_FILE") if settings.clients_file else None
        )
        self._keys = WatchedFile(settings.key_set_file, tokens.read, "KEY_SET_FILE") if settings.key_set_file else None
        self._tokens = tokens.Tokens(
            settings.token_issuer or "", settings.token_audience or "", frozenset(settings.token_scopes)
        )
        self._proxies = settings.trusted_proxies
        self._base_url = settings.base_url

    def by_header(self, credential: str, path: str) -> Client | None:
        """The client of a key or token, for a request to ``path``; None for an unknown one. Raises NobodyKnows."""
        if clients.is_key(credential):
            return self._clients.value().by_key(credential) if self._clients else None
        if self._keys is None:
            return None
        keys = self._keys.value()
        return self._tokens.client(credential, keys) or self._cds_client(path, credential, keys)

    def by_certificate(self, certificate: bytes | None) -> Client | None:
        """The client of a verified certificate (DER); None for an unknown one. Raises NobodyKnows."""
        if certificate is None or self._clients is None:
            return None
        return self._clients.value().by_certificate(certificate)

    def is_trusted_proxy(self, address: str) -> bool:
        """Whether an address is that of a proxy whose ``Client-Cert`` header counts."""
        try:
            ip = ipaddress.ip_address(address)
        except ValueError:
            return False
        return any(ip in network for network in self._proxies)

    def _cds_client(self, path: str, token: str, keys: tokens.Keys) -> Client | None:
        """The client of a CDS Hooks token: its audience is the address that is called, and it has no scopes."""
        if self._base_url is None or not path.startswith("/cds-services/"):
            return None
        audience = self._base_url.rstrip("/") + path
        issuer = client_of(token, {self._tokens.issuer: keys}, audience, int(time.time()))
        return Client("token", frozenset({"review"}), f"issuer:{issuer}") if issuer else None
