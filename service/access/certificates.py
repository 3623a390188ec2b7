"""The certificate of a caller, as a trusted proxy passes it on."""

from __future__ import annotations

import base64
import re
import ssl
import urllib.parse


def passed_on(header: str) -> bytes | None:
    """The certificate (DER) in a ``Client-Cert`` header (RFC 9440, or PEM in percent-encoding); None where it has none."""
    try:
        if re.fullmatch(r":[A-Za-z0-9+/=]+:", header):
            return base64.b64decode(header[1:-1], validate=True)
        if header.startswith("-----BEGIN%20CERTIFICATE"):
            return ssl.PEM_cert_to_DER_cert(urllib.parse.unquote(header))
    except ValueError:
        pass
    return None
