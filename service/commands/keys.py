"""``restraint-review keys``: API keys of clients, made, hashed and changed in turn without a moment in which none holds."""

from __future__ import annotations

import argparse
import contextlib
import hashlib
import json
import os
import secrets
import shutil
import ssl
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from service.settings import SCOPES

from .exit_status import OK, CommandFailed, failed

_GIVE = "Give this key to the client by a safe way. It is shown once and kept nowhere:"


def register(commands: Any) -> None:
    """Add the command."""
    keys = commands.add_parser("keys", help="make, hash and change the API keys of clients")
    keys = keys.add_subparsers(required=True, metavar="COMMAND")
    make = keys.add_parser("make", help="make a key: the key on standard error, its digest on standard output")
    make.set_defaults(run=_make)
    digest = keys.add_parser(
        "hash", help="the digest of a key on standard input, or of a certificate, for the file of clients"
    )
    digest.add_argument("--certificate", type=Path, metavar="FILE", help="a client's certificate, PEM")
    digest.set_defaults(run=_hash)
    add = keys.add_parser("add", help="make a key and add it to a client of a file; its other keys go on holding")
    add.add_argument("file", type=Path, metavar="FILE", help="the file of clients; made when it is not there")
    add.add_argument("name", metavar="NAME", help="the client; made when it is not there")
    add.add_argument("--scopes", help=f"of a new client, with commas: {', '.join(SCOPES)}")
    add.set_defaults(run=_add)
    drop = keys.add_parser("drop-old", help="take every key of a client out of a file but the one added last")
    drop.add_argument("file", type=Path, metavar="FILE")
    drop.add_argument("name", metavar="NAME")
    drop.set_defaults(run=_drop_old)


def new_key() -> tuple[str, str]:
    """A key of 256 random bits, and its digest as the file of clients has it."""
    key = "rrk_" + secrets.token_urlsafe(32)
    return key, digest_of(key.encode())


def digest_of(content: bytes) -> str:
    """``sha256:`` and the digest of a key, or of a certificate (DER)."""
    return "sha256:" + hashlib.sha256(content).hexdigest()


def _make(_arguments: argparse.Namespace) -> int:
    key, digest = new_key()
    print(f"{_GIVE}\n{key}", file=sys.stderr)
    print(digest)
    return OK


def _hash(arguments: argparse.Namespace) -> int:
    if arguments.certificate is None:
        from service.access import clients

        # Not an argument: those can be seen by everybody on the machine, and stay in the history of the shell.
        key = sys.stdin.readline().strip()
        if not clients.is_key(key):
            return failed("this is no key that was made here")
        print(digest_of(key.encode()))
        return OK
    try:
        der = ssl.PEM_cert_to_DER_cert(_first_certificate(arguments.certificate.read_text("ascii")))
    except (OSError, ValueError) as error:
        return failed(f"{arguments.certificate}: no certificate in PEM: {type(error).__name__}")
    print(digest_of(der))
    return OK


def _first_certificate(text: str) -> str:
    end = "-----END CERTIFICATE-----"
    start = text.index("-----BEGIN CERTIFICATE-----")
    return text[start : text.index(end, start) + len(end)]


def _add(arguments: argparse.Namespace) -> int:
    file, name = arguments.file, arguments.name
    key, digest = new_key()
    with _faults_told(file):
        document = _read(file) if file.exists() else {"clients": []}
        client = _client(document, name)
        if client is None:
            if not arguments.scopes:
                return failed(f"{name} is a new client: say what it may do with --scopes")
            client = {"name": name, "scopes": arguments.scopes.split(",")}
            document["clients"].append(client)
        elif arguments.scopes:
            return failed(f"{name} is there already; its scopes are changed in the file")
        client.setdefault("keys", []).append(digest)
        _write(file, document)
    print(_GIVE, file=sys.stderr)
    print(key)
    return OK


def _drop_old(arguments: argparse.Namespace) -> int:
    with _faults_told(arguments.file):
        document = _read(arguments.file)
        client = _client(document, arguments.name)
        if client is None:
            return failed(f"{arguments.file}: no client has this name")
        held = client.get("keys", [])
        client["keys"] = held[-1:]
        _write(arguments.file, document)
    print(f"{len(held[:-1])} taken out, {len(held[-1:])} left", file=sys.stderr)
    return OK


@contextlib.contextmanager
def _faults_told(file: Path) -> Iterator[None]:
    """What is wrong with the file of clients, as CommandFailed."""
    from service.access.clients import ClientsError

    try:
        yield
    except ClientsError as error:
        raise CommandFailed(f"{file}: {error}") from None
    except OSError as error:
        raise CommandFailed(f"{file}: {type(error).__name__}") from None


def _read(file: Path) -> Any:
    from service.access import clients

    content = file.read_bytes()
    clients.read(content)
    return json.loads(content)


def _client(document: Any, name: str) -> Any:
    return next((each for each in document["clients"] if each["name"] == name), None)


def _write(file: Path, document: Any) -> None:
    """Write the file whole or not at all: a server that looks at it meanwhile sees the old or the new one."""
    from service.access import clients

    content = json.dumps(document, indent=2).encode() + b"\n"
    clients.read(content)
    handle, name = tempfile.mkstemp(dir=file.parent, prefix=f".{file.name}.")
    try:
        with os.fdopen(handle, "wb") as temporary:
            temporary.write(content)
            if file.exists():
                shutil.copymode(file, name)
                with contextlib.suppress(OSError):
                    shutil.chown(name, file.stat().st_uid, file.stat().st_gid)
            else:
                # Digests of random keys tell nothing, and the user of the container has to read them.
                os.fchmod(temporary.fileno(), 0o644)
        os.replace(name, file)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise
