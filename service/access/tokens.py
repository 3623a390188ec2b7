"""Bearer tokens: JSON Web Tokens (RFC 7519) signed with a key of the configured key set (RFC 7517).

Only asymmetric signatures: whoever can check a token must not be able to make
one. ``exp``, ``iss`` and ``aud`` have to be there and right; scopes come from
``scope`` (RFC 8693, section 4.2), else from the setting. The key is chosen by
``kid``; the algorithm is the key's, never the token's.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass

import jwt

from service.settings import SCOPES

from .clients import Client

#: Only asymmetric signatures.
ALGORITHMS = frozenset({"RS256", "RS384", "RS512", "PS256", "PS384", "PS512", "ES256", "ES384", "ES512", "EdDSA"})
_KINDS = frozenset({"RSA", "EC", "OKP"})
#: How far two clocks may differ; common practice.
LEEWAY_SECONDS = 30
_LEAST_RSA_BITS = 2048


class KeySetError(ValueError):
    """The key set cannot be used. The text repeats nothing of the file."""


#: The public keys of a file by ``kid``.
Keys = dict[str, jwt.PyJWK]


def read(content: bytes) -> Keys:
    """Read a key set. Raises KeySetError."""
    try:
        value = json.loads(content)
        entries = value["keys"]
        found: Keys = {}
        for entry in entries:
            if entry["kty"] not in _KINDS:
                raise KeySetError("a key of the key set is not RSA, EC or OKP")
            if "d" in entry:
                raise KeySetError("the key set holds a private key; it must hold public keys only")
            key = jwt.PyJWK(entry)
            if key.algorithm_name not in ALGORITHMS:
                raise KeySetError("a key of the key set has an algorithm that is not taken")
            if entry["kty"] == "RSA" and key.key.key_size < _LEAST_RSA_BITS:
                raise KeySetError(f"an RSA key of the key set is shorter than {_LEAST_RSA_BITS} bits")
            if not isinstance(entry["kid"], str) or entry["kid"] in found:
                raise KeySetError("each key of the key set needs a kid of its own")
            found[entry["kid"]] = key
    except KeySetError:
        raise
    except Exception:  # noqa: BLE001 (its text could quote the file)
        raise KeySetError("the file is not a key set") from None
    if not found:
        raise KeySetError("the key set has no key")
    return found


@dataclass(frozen=True, slots=True)
class Tokens:
    """How tokens are checked."""

    issuer: str
    audience: str
    scopes: frozenset[str]

    def client(self, token: str, keys: Keys) -> Client | None:
        """The client of a token; None for a token that is not valid."""
        try:
            key = keys[jwt.get_unverified_header(token)["kid"]]
            claims = jwt.decode(
                token,
                key,
                algorithms=[str(key.algorithm_name)],
                audience=self.audience,
                issuer=self.issuer,
                leeway=LEEWAY_SECONDS,
                options={"require": ["exp", "iss", "aud"]},
            )
        except Exception:  # noqa: BLE001 (a token is a stranger's text: whatever it raises, it is not valid)
            return None
        scope = claims.get("scope")
        scopes = frozenset(str(scope).split()) & set(SCOPES) if scope is not None else self.scopes
        # The holder's name may be that of a person: requests are counted under its digest, and it is never logged.
        holder = str(claims.get("client_id") or claims.get("azp") or claims.get("sub") or "")
        return Client("token", scopes, "token:" + hashlib.sha256(holder.encode("utf-8", "replace")).hexdigest())
