"""The settings, read once from the environment into a frozen object.

Every name begins with ``RESTRAINT_REVIEW_``. A name that is not known and a
value that cannot be right stop the start, each with one clear line: a
misspelled setting must not be a setting silently left out.
"""

from __future__ import annotations

import ipaddress
import os
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

PREFIX = "RESTRAINT_REVIEW_"

LOG_LEVELS = ("debug", "info", "warning", "error")


class SettingsError(Exception):
    """The service cannot start with these settings. ``lines``: one for each thing that is wrong."""

    def __init__(self, lines: list[str]) -> None:
        super().__init__("\n".join(lines))
        self.lines = lines


@dataclass(frozen=True, slots=True)
class Settings:
    """What the service runs with.

    ``max_body_bytes``: bytes of one request body. ``public``: the operator has
    said that an address other than loopback may be bound; the service knows no
    callers, so it has to be said on purpose.
    """

    host: str = "127.0.0.1"
    port: int = 8080
    workers: int = 2
    threads: int = 2
    max_body_bytes: int = 8 * 1024 * 1024
    rules_dir: Path | None = None
    extra_rules_dir: Path | None = None
    default_profile: str = "default"
    log_level: str = "info"
    public: bool = False


def read_settings(environ: Mapping[str, str] = os.environ) -> Settings:
    """Read the environment. Raises SettingsError with every fault at once."""
    wrong: list[str] = []
    values: dict[str, object] = {}
    for name in sorted(key for key in environ if key.startswith(PREFIX)):
        reader = _READERS.get(name.removeprefix(PREFIX))
        if reader is None:
            known = ", ".join(PREFIX + each for each in _READERS)
            wrong.append(f"{name} is not a setting. Known: {known}.")
            continue
        try:
            values[name.removeprefix(PREFIX).lower()] = reader(environ[name])
        except ValueError as error:
            wrong.append(f"{name} {error}.")
    if wrong:
        raise SettingsError(wrong)
    settings = Settings(**values)  # type: ignore[arg-type]
    if not settings.public and not is_loopback(settings.host):
        line = (
            f"{PREFIX}HOST is not a loopback address. The service does not ask who calls, so anything that "
            f"reaches it may use it: put a gateway in front, then say {PREFIX}PUBLIC=true (or serve --public)."
        )
        raise SettingsError([line])
    return settings


def is_loopback(host: str) -> bool:
    """Whether only this machine can reach ``host``."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def _number(low: int, high: int) -> Callable[[str], int]:
    def read(text: str) -> int:
        if not re.fullmatch(r"[0-9]{1,12}", text) or not low <= int(text) <= high:
            raise ValueError(f"must be a whole number from {low} to {high}")
        return int(text)

    return read


def _word(*words: str) -> Callable[[str], str]:
    def read(text: str) -> str:
        if text not in words:
            raise ValueError(f"must be one of: {', '.join(words)}")
        return text

    return read


def _flag(text: str) -> bool:
    return _word("true", "false")(text) == "true"


def _directory(text: str) -> Path:
    path = Path(text)
    if not text or not path.is_dir():
        raise ValueError("must be a directory that exists")
    return path


def _host(text: str) -> str:
    if not re.fullmatch(r"[A-Za-z0-9.:-]{1,253}", text):
        raise ValueError("must be an address or a host name")
    return text


def _profile(text: str) -> str:
    if not re.fullmatch(r"[a-z0-9._-]{1,64}", text):
        raise ValueError("must be the id of a profile")
    return text


_READERS: dict[str, Callable[[str], object]] = {
    "HOST": _host,
    "PORT": _number(1, 65535),
    "WORKERS": _number(1, 64),
    "THREADS": _number(1, 16),
    "MAX_BODY_BYTES": _number(1024, 64 * 1024 * 1024),
    "RULES_DIR": _directory,
    "EXTRA_RULES_DIR": _directory,
    "DEFAULT_PROFILE": _profile,
    "LOG_LEVEL": _word(*LOG_LEVELS),
    "PUBLIC": _flag,
}
