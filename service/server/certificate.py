"""The certificate of the service's own TLS, read again when its files change."""

from __future__ import annotations

import ssl
from pathlib import Path
from typing import Any

from gunicorn.sock import ssl_context  # type: ignore[import-untyped,unused-ignore]

from service.observe import log, metrics
from service.settings import Settings

_SETTING = "TLS_CERTIFICATE_FILE"


class Certificate:
    """``context``: for the next connection."""

    def __init__(self, config: Any, settings: Settings) -> None:
        """``config``: gunicorn's. Raises OSError, ssl.SSLError."""
        self._config = config
        self._files = [settings.tls_certificate_file, settings.tls_key_file, settings.tls_client_ca_file]
        self._seen = self._look()
        self.context: ssl.SSLContext = ssl_context(config)

    def _look(self) -> list[tuple[int, int, int] | None]:
        return [_stat(file) for file in self._files]

    def renew(self) -> None:
        """Take what the files hold now, if they have changed; what cannot be used leaves what was there, and is told."""
        seen = self._look()
        if seen == self._seen:
            return
        self._seen = seen
        try:
            self.context = ssl_context(self._config)
            log.emit("info", "certificate-read", setting=_SETTING)
        except OSError as error:  # of which the errors of TLS are a kind
            metrics.file_not_read(_SETTING)
            log.emit("error", "certificate-not-read", setting=_SETTING, exception=type(error).__name__)


def _stat(file: Path | None) -> tuple[int, int, int] | None:
    if file is None:
        return None
    try:
        found = file.stat()
    except OSError:
        return None
    return found.st_mtime_ns, found.st_size, found.st_ino
