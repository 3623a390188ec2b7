"""The settings, read once from the environment into a frozen object.

Every name begins with ``RESTRAINT_REVIEW_``. A name that is not known and a
value that cannot be right stop the start, each with one clear line: a
misspelled setting must not be a setting silently left out.
"""

from __future__ import annotations

import ipaddress
import os
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

PREFIX = "RESTRAINT_REVIEW_"

#: What a client may be allowed to do.
SCOPES = ("review", "batch", "rulebook", "metrics")

Network = ipaddress.IPv4Network | ipaddress.IPv6Network

LOG_LEVELS = ("debug", "info", "warning", "error")


#: What is filled in into a link template.
LINK_PLACES = ("{episode_ref}", "{pointer}", "{item}")

#: The word for every profile of the rulebook.
ALL = "all"


class SettingsError(Exception):
    """The service cannot start with these settings. ``lines``: one for each thing that is wrong."""

    def __init__(self, lines: list[str]) -> None:
        super().__init__("\n".join(lines))
        self.lines = lines


@dataclass(frozen=True, slots=True)
class Settings:
    """What the service runs with. What each one means stands in ``SETTINGS``; seconds, bytes and counts are plain."""

    host: str = "127.0.0.1"
    port: int = 8080
    workers: int = 2
    max_body_bytes: int = 8 * 1024 * 1024
    rules_dir: Path | None = None
    extra_rules_dir: Path | None = None
    default_profile: str = "default"
    log_level: str = "info"
    public: bool = False
    operations_port: int | None = None
    connections: int = 1000
    in_hand: int = 16
    held_bytes: int = 64 * 1024 * 1024
    head_seconds: int = 5
    body_seconds: int = 10
    review_seconds: int = 10
    request_seconds: int = 60
    requests_per_minute: int = 3000
    clients_file: Path | None = None
    key_set_file: Path | None = None
    token_issuer: str | None = None
    token_audience: str | None = None
    token_scopes: tuple[str, ...] = ()
    tls_certificate_file: Path | None = None
    tls_key_file: Path | None = None
    tls_client_ca_file: Path | None = None
    trusted_proxies: tuple[Network, ...] = ()
    mappings_dir: Path | None = None
    nemsis_xsd_dir: Path | None = None
    base_url: str | None = None
    cds_origins: tuple[str, ...] = ()
    link_template: str | None = None
    frame_ancestors: tuple[str, ...] = ()
    profiles: tuple[str, ...] = ()

    @property
    def served_profiles(self) -> tuple[str, ...] | None:
        """The profiles to serve; None for all of them."""
        if self.profiles == (ALL,):
            return None
        return tuple(dict.fromkeys(("default", self.default_profile, *self.profiles)))

    @property
    def asks_who_calls(self) -> bool:
        """Whether callers have to show who they are."""
        return self.clients_file is not None or self.key_set_file is not None


def read_settings(environ: Mapping[str, str] = os.environ) -> Settings:
    """Read the environment. Raises SettingsError with every fault at once."""
    wrong: list[str] = []
    values: dict[str, object] = {}
    for name in sorted(key for key in environ if key.startswith(PREFIX)):
        setting = SETTINGS.get(name.removeprefix(PREFIX))
        if setting is None:
            known = ", ".join(PREFIX + each for each in SETTINGS)
            wrong.append(f"{name} is not a setting. Known: {known}.")
            continue
        try:
            values[name.removeprefix(PREFIX).lower()] = setting.read(environ[name])
        except ValueError as error:
            wrong.append(f"{name} {error}.")
    if wrong:
        raise SettingsError(wrong)
    settings = Settings(**values)  # type: ignore[arg-type]
    wrong = list(_contradictions(settings))
    if wrong:
        raise SettingsError(wrong)
    return settings


def _contradictions(settings: Settings) -> Iterator[str]:
    if settings.public and settings.asks_who_calls:
        yield f"{PREFIX}PUBLIC=true says that anybody may call, and a file of clients or keys that not. Leave one out."
    if not (settings.public or settings.asks_who_calls or is_loopback(settings.host)):
        yield (
            f"{PREFIX}HOST is not a loopback address, so others can reach the service. Say who may call with "
            f"{PREFIX}CLIENTS_FILE or {PREFIX}KEY_SET_FILE. If something in front asks who calls, and nothing else "
            f"can reach the service, say {PREFIX}PUBLIC=true (or serve --public)."
        )
    tokens = (settings.key_set_file, settings.token_issuer, settings.token_audience)
    if any(tokens) and not all(tokens):
        yield f"{PREFIX}KEY_SET_FILE, {PREFIX}TOKEN_ISSUER and {PREFIX}TOKEN_AUDIENCE belong together."
    if settings.token_scopes and not settings.key_set_file:
        yield f"{PREFIX}TOKEN_SCOPES needs {PREFIX}KEY_SET_FILE."
    if (settings.tls_certificate_file is None) != (settings.tls_key_file is None):
        yield f"{PREFIX}TLS_CERTIFICATE_FILE and {PREFIX}TLS_KEY_FILE belong together."
    if settings.tls_client_ca_file and not settings.tls_certificate_file:
        yield f"{PREFIX}TLS_CLIENT_CA_FILE needs {PREFIX}TLS_CERTIFICATE_FILE."
    if (settings.tls_client_ca_file or settings.trusted_proxies) and not settings.clients_file:
        yield f"{PREFIX}TLS_CLIENT_CA_FILE and {PREFIX}TRUSTED_PROXIES need {PREFIX}CLIENTS_FILE, which names certificates."
    if settings.operations_port == settings.port:
        yield f"{PREFIX}OPERATIONS_PORT must differ from {PREFIX}PORT."


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


def _profiles(text: str) -> tuple[str, ...]:
    try:
        return tuple(_profile(part) for part in text.split(","))
    except ValueError:
        raise ValueError(f"must be a list with commas of ids of profiles, or {ALL}") from None


def _file(text: str) -> Path:
    path = Path(text)
    if not text or not path.is_file():
        raise ValueError("must be a file that exists")
    return path


def _line(text: str) -> str:
    if not re.fullmatch(r"[!-~]{1,500}", text):
        raise ValueError("must be printable text without spaces")
    return text


def _scopes(text: str) -> tuple[str, ...]:
    found = tuple(text.split(","))
    if not set(found) <= set(SCOPES):
        raise ValueError(f"must be a list with commas of: {', '.join(SCOPES)}")
    return found


def _origins(text: str) -> tuple[str, ...]:
    found = tuple(text.split(","))
    if not all(re.fullmatch(r"https?://[A-Za-z0-9.-]{1,253}(:[0-9]{1,5})?", each) for each in found):
        raise ValueError("must be a list with commas of origins, such as https://charts.example.org")
    return found


def _template(text: str) -> str:
    if not re.fullmatch(r"(https?://|/)[!-~]{0,500}", text) or not set(re.findall(r"{.*?}", text)) <= set(LINK_PLACES):
        raise ValueError(f"must begin with https:// or /, without spaces; filled in are {', '.join(LINK_PLACES)}")
    return text


def _networks(text: str) -> tuple[Network, ...]:
    try:
        return tuple(ipaddress.ip_network(part) for part in text.split(","))
    except ValueError:
        raise ValueError("must be a list with commas of addresses or networks, such as 10.1.0.0/16") from None


@dataclass(frozen=True, slots=True)
class Setting:
    """How one setting is read, and what it means in words."""

    read: Callable[[str], object]
    says: str


#: Name without the prefix -> the setting. The order is that of docker/README.md.
SETTINGS: dict[str, Setting] = {
    "HOST": Setting(_host, "address to listen on"),
    "PORT": Setting(_number(1, 65535), "port to listen on"),
    "OPERATIONS_PORT": Setting(
        _number(1, 65535), "second port for health and metrics; metrics then leave the first, and need no key here"
    ),
    "WORKERS": Setting(_number(1, 64), "worker processes; one for each core"),
    "CONNECTIONS": Setting(_number(10, 10_000), "connections a worker holds on each port; the longest idle make room"),
    "IN_HAND": Setting(_number(1, 256), "requests a worker reviews at once, their bodies read; one more is 429"),
    "HELD_BYTES": Setting(
        _number(1024 * 1024, 1024 * 1024 * 1024),
        "bytes of bodies and answers a worker holds while it waits for clients; more are 429",
    ),
    "MAX_BODY_BYTES": Setting(_number(1024, 64 * 1024 * 1024), "largest body of a request, bytes; a larger one is 413"),
    "HEAD_SECONDS": Setting(_number(1, 60), "time for TLS and the head of a request; then the connection is closed"),
    "BODY_SECONDS": Setting(_number(1, 60), "time for the body; then 408"),
    "REVIEW_SECONDS": Setting(_number(1, 60), "time for one review and the writing of its answer; then 503"),
    "REQUEST_SECONDS": Setting(
        _number(10, 600), "time for a request from its head to the end of its answer; then the connection is closed"
    ),
    "REQUESTS_PER_MINUTE": Setting(
        _number(1, 1_000_000), "requests of one known client a minute in one worker; one more is 429"
    ),
    "CLIENTS_FILE": Setting(
        _file, "clients with their scopes, hashed keys and certificates; read again when it changes"
    ),
    "KEY_SET_FILE": Setting(_file, "JSON Web Key Set for bearer tokens; read again when it changes"),
    "TOKEN_ISSUER": Setting(_line, "the `iss` a token must have"),
    "TOKEN_AUDIENCE": Setting(_line, "the `aud` a token must have"),
    "TOKEN_SCOPES": Setting(_scopes, "scopes of a token that has no `scope` claim"),
    "TLS_CERTIFICATE_FILE": Setting(_file, "certificate chain, PEM, for TLS without a proxy"),
    "TLS_KEY_FILE": Setting(_file, "its private key, PEM"),
    "TLS_CLIENT_CA_FILE": Setting(_file, "authorities of client certificates, PEM"),
    "TRUSTED_PROXIES": Setting(_networks, "addresses of proxies whose `Client-Cert` header is believed"),
    "PUBLIC": Setting(_flag, "`true`: anybody who reaches the service may call"),
    "DEFAULT_PROFILE": Setting(_profile, "profile of a request that names none"),
    "PROFILES": Setting(
        _profiles, "further profiles to serve, with commas; `all` for every one. Each takes memory and time at start"
    ),
    "RULES_DIR": Setting(_directory, "rulebook in place of the one shipped"),
    "EXTRA_RULES_DIR": Setting(_directory, "further rules and profiles of the agency"),
    "MAPPINGS_DIR": Setting(_directory, "the agency's mappings of custom NEMSIS elements, beside those shipped"),
    "NEMSIS_XSD_DIR": Setting(_directory, "published NEMSIS schemas; every XML document is then checked against them"),
    "BASE_URL": Setting(
        _line, "address at which callers reach the service, for links on cards and tokens of CDS clients"
    ),
    "CDS_ORIGINS": Setting(_origins, "origins, with commas, whose pages may call the CDS Hooks service"),
    "LINK_TEMPLATE": Setting(
        _template,
        "address of a place in the host's own form, to which the places on a page link; `{episode_ref}`, `{pointer}` and `{item}` are filled in",
    ),
    "FRAME_ANCESTORS": Setting(_origins, "origins, with commas, that may show the page of a review in a frame"),
    "LOG_LEVEL": Setting(_word(*LOG_LEVELS), "debug, info, warning or error"),
}
