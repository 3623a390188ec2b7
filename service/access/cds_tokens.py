"""The token of a CDS Hooks client (https://cds-hooks.hl7.org/2.0/, "Trusting CDS Clients")."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import jwt

from .tokens import ALGORITHMS, LEEWAY_SECONDS

#: The times are compared below with the caller's ``now``, so that nothing here asks a clock.
_OPTIONS: Any = {
    "require": ["iss", "aud", "exp", "iat", "jti"],
    "verify_exp": False,
    "verify_iat": False,
    "verify_nbf": False,
}


def client_of(token: str, keys: Mapping[str, Mapping[str, jwt.PyJWK]], audience: str, now: int) -> str | None:
    """The issuer of a CDS client's token; None for a token that is not valid.

    ``keys``: issuer -> key id -> public key; ``jku`` is never followed.
    ``audience``: the address of the service that is called. ``now``: epoch
    seconds. ``jti`` is required, but a token that is used twice is not noticed:
    nothing is kept between requests.
    """
    try:
        header = jwt.get_unverified_header(token)
        issuer = jwt.decode(token, options={"verify_signature": False})["iss"]
        key = keys[issuer][header["kid"]]
        if header["typ"].upper() != "JWT" or key.algorithm_name not in ALGORITHMS:
            return None
        claims = jwt.decode(
            token, key, algorithms=[key.algorithm_name], audience=audience, issuer=issuer, options=_OPTIONS
        )
        holds = (
            claims["exp"] > now - LEEWAY_SECONDS
            and claims["iat"] <= now + LEEWAY_SECONDS
            and claims.get("nbf", now) <= now + LEEWAY_SECONDS
            and type(claims["jti"]) is str
        )
    except Exception:  # noqa: BLE001 (a token is a stranger's text: whatever it raises, it is not valid)
        return None
    return str(issuer) if holds and claims["jti"] else None
