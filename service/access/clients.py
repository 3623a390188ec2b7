"""Clients by name: what they may do, and by which key or certificate they are known.

The file is JSON::

    {"clients": [{"name": "charting", "scopes": ["review"],
                  "keys": ["sha256:<64 hex digits>"], "certificates": ["sha256:<64 hex digits>"]}]}

A client has as many keys and certificates as it needs, so that a new one can
be given out before the old one is taken away. The file holds no key, only
the SHA-256 of each: keys are made by us and have 256 random bits, so a slow
hash would add nothing. ``restraint-review keys`` makes them.
"""

from __future__ import annotations

import hashlib
import hmac
import re
from dataclasses import dataclass

from service.intake import strict_json
from service.problems import Rejected
from service.settings import SCOPES

_KEY = re.compile(r"rrk_[A-Za-z0-9_-]{43}")
_NAME = re.compile(r"[a-z0-9][a-z0-9._-]{0,63}")
_DIGEST = re.compile(r"sha256:[0-9a-f]{64}")
_MEMBERS = {"name", "scopes", "keys", "certificates"}


@dataclass(frozen=True, slots=True)
class Client:
    """Somebody who may call. ``name`` may be logged; ``key``: under which its requests are counted (``rate``)."""

    name: str
    scopes: frozenset[str]
    key: str


class ClientsError(ValueError):
    """The file cannot be used. The text says what is wrong and repeats nothing of the file."""


@dataclass(frozen=True, slots=True)
class Clients:
    """The content of the file: (SHA-256, client) of every key and certificate."""

    keys: tuple[tuple[bytes, Client], ...]
    certificates: tuple[tuple[bytes, Client], ...]

    def by_key(self, key: str) -> Client | None:
        """The client of an API key."""
        return _find(self.keys, key.encode("latin-1"))

    def by_certificate(self, certificate: bytes) -> Client | None:
        """The client of a certificate (DER) whose owner has been verified."""
        return _find(self.certificates, certificate)


def _find(known: tuple[tuple[bytes, Client], ...], shown: bytes) -> Client | None:
    digest = hashlib.sha256(shown).digest()
    found = None
    # All are compared, each in constant time: the time taken tells nothing about which one came close.
    for held, client in known:
        if hmac.compare_digest(held, digest):
            found = client
    return found


def is_key(credential: str) -> bool:
    """Whether it has the form of a key made here."""
    return _KEY.fullmatch(credential) is not None


def read(content: bytes) -> Clients:
    """Read the file. Raises ClientsError."""
    try:
        value = strict_json.loads(content)
    except Rejected:
        raise ClientsError("the file is not JSON") from None
    if not isinstance(value, dict) or value.keys() != {"clients"} or not isinstance(value["clients"], list):
        raise ClientsError('the file must be {"clients": [...]}')
    keys: dict[bytes, Client] = {}
    certificates: dict[bytes, Client] = {}
    names: set[str] = set()
    for number, each in enumerate(value["clients"]):
        if not isinstance(each, dict) or not {"name", "scopes"} <= each.keys() <= _MEMBERS:
            raise ClientsError(f"client {number} must have name and scopes, and may have keys and certificates")
        name, scopes = each["name"], each["scopes"]
        if not isinstance(name, str) or not _NAME.fullmatch(name) or name in names:
            raise ClientsError(f"client {number}: the name must be lower-case letters, digits, . _ - and its own")
        if not isinstance(scopes, list) or not scopes or not all(scope in SCOPES for scope in scopes):
            raise ClientsError(f"client {number}: scopes must be some of {', '.join(SCOPES)}")
        names.add(name)
        client = Client(name, frozenset(scopes), f"name:{name}")
        for member, known in (("keys", keys), ("certificates", certificates)):
            for digest in _digests(each.get(member, []), number, member):
                if digest in known:
                    raise ClientsError(f"client {number}: {member} has one that is there already")
                known[digest] = client
    return Clients(tuple(keys.items()), tuple(certificates.items()))


def _digests(value: object, number: int, member: str) -> list[bytes]:
    if not isinstance(value, list) or not all(isinstance(each, str) and _DIGEST.fullmatch(each) for each in value):
        raise ClientsError(f"client {number}: {member} must be a list of sha256: and 64 hex digits")
    return [bytes.fromhex(each.removeprefix("sha256:")) for each in value]
