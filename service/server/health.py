"""``python -m service.server.health``: exit status 0 when the service in this container reviews, else 1.

For images without a shell or a fetching tool. It asks the port of the
settings on the loopback address and believes any certificate, since it only
asks whether the process is well.
"""

from __future__ import annotations

import http.client
import ssl
import sys

from service.settings import read_settings


def main() -> int:
    """0 ready, 1 not."""
    settings = read_settings()
    port = settings.operations_port or settings.port
    host = {"0.0.0.0": "127.0.0.1", "::": "::1"}.get(settings.host, settings.host)
    connection: http.client.HTTPConnection
    if settings.tls_certificate_file:
        context = ssl.create_default_context()
        context.check_hostname = False
        context.verify_mode = ssl.CERT_NONE
        connection = http.client.HTTPSConnection(host, port, timeout=3, context=context)
    else:
        connection = http.client.HTTPConnection(host, port, timeout=3)
    try:
        connection.request("GET", "/health/ready")
        return 0 if connection.getresponse().status == 200 else 1
    except (OSError, http.client.HTTPException):
        return 1
    finally:
        connection.close()


if __name__ == "__main__":
    sys.exit(main())
