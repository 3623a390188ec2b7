"""A start that cannot be right ends at once: one line that says why, status 3, nothing bound, no worker made."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import socket
import subprocess
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from service.resources import rules_directory
from service.server import process
from service.server.addresses import CannotListen, take_addresses
from service.settings import PREFIX
from tests.ops.running import Service, refused, running
from tests.support.certificates import make, store

pytestmark = pytest.mark.live


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    with running(tmp_path_factory.mktemp("start")) as started:
        yield started


@pytest.mark.parametrize("host", ["127.0.0.1", "0.0.0.0", "localhost"])
def test_a_second_server_does_not_share_the_port(service: Service, host: str) -> None:
    (line,) = refused(PORT=str(service.port), HOST=host, PUBLIC="true")
    assert (
        line == f"{host} port {service.port}: another process listens there already. Stop it, or choose another port."
    )
    assert service.call("GET", "/health/ready")[0] == 200
    assert len(service.workers()) == 2


def test_nor_that_of_health_and_metrics(service: Service) -> None:
    (line,) = refused(OPERATIONS_PORT=str(service.port))
    assert f"port {service.port}" in line


def test_of_two_that_start_at_once_one_is_refused() -> None:
    port = process.free_port()
    environ = {**os.environ, f"{PREFIX}PORT": str(port), f"{PREFIX}WORKERS": "1"}
    both = [subprocess.Popen(process.command(), env=environ, stderr=subprocess.PIPE, text=True) for _ in range(2)]
    ended = threading.Event()
    try:

        def watch(child: subprocess.Popen[str]) -> None:
            child.wait()
            ended.set()

        for child in both:
            threading.Thread(target=watch, args=(child,), daemon=True).start()
        assert ended.wait(60)
        (loser,) = [child for child in both if child.poll() is not None]
        (winner,) = [child for child in both if child is not loser]
        assert loser.returncode == 3
        assert "listens there already" in loser.stderr.read()  # type: ignore[union-attr]
        process.wait_ready(f"http://127.0.0.1:{port}", winner)  # type: ignore[arg-type]
    finally:
        for child in both:
            process.end(child)  # type: ignore[arg-type]
            child.stderr.close()  # type: ignore[union-attr]


def test_another_program_that_would_share_is_seen() -> None:
    with socket.socket() as other:
        other.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        other.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEPORT, 1)
        other.bind(("127.0.0.1", 0))
        port = other.getsockname()[1]
        other.listen()
        with pytest.raises(CannotListen, match="already"):
            take_addresses("127.0.0.1", [port])


def test_connections_of_an_earlier_server_are_no_hindrance(tmp_path: Path) -> None:
    """A server that closes first leaves its end of the connection waiting on the port for a minute (TIME_WAIT)."""
    with running(tmp_path, WORKERS="1") as first:
        kept = first.connect()
        kept.request("GET", "/health/live")
        kept.getresponse().read()
        process.end(first.child)
        with contextlib.closing(kept), running(tmp_path, WORKERS="1", PORT=str(first.port)) as second:
            assert second.call("GET", "/health/ready")[0] == 200


def test_an_address_that_is_not_here() -> None:
    # 192.0.2.0/24 is for documentation (RFC 5737), .invalid is never a name (RFC 2606).
    for host in ("192.0.2.7", "nowhere.invalid"):
        with pytest.raises(CannotListen, match="no such address"):
            take_addresses(host, [process.free_port()])


def _broken_rules(folder: Path) -> dict[str, str]:
    rules = folder / "rules"
    shutil.copytree(rules_directory(), rules)
    victim = min((rules / "decision").glob("*.yaml"))
    victim.write_bytes(victim.read_bytes()[:200])
    return {"RULES_DIR": str(rules)}


def _no_rules(folder: Path) -> dict[str, str]:
    (folder / "empty").mkdir()
    return {"RULES_DIR": str(folder / "empty")}


def _sources_a_list(folder: Path) -> dict[str, str]:
    (folder / "profiles").mkdir()
    (folder / "sources.yaml").write_text("- a\n")
    return {"EXTRA_RULES_DIR": str(folder)}


def _profile(content: str) -> object:
    def write(folder: Path) -> dict[str, str]:
        (folder / "profiles").mkdir()
        (folder / "profiles" / "agency.yaml").write_text(content)
        return {"EXTRA_RULES_DIR": str(folder)}

    return write


def _file(setting: str, content: str, **more: str) -> object:
    def write(folder: Path) -> dict[str, str]:
        (folder / "file").write_text(content)
        return {setting: str(folder / "file"), **more}

    return write


def _keys_of_another(folder: Path) -> dict[str, str]:
    certificate, _ = store(folder, "one", make("one"))
    _, key = store(folder, "other", make("other"))
    return {"TLS_CERTIFICATE_FILE": certificate, "TLS_KEY_FILE": key}


def _broken_authorities(folder: Path) -> dict[str, str]:
    certificate, key = store(folder, "one", make("one"))
    (folder / "ca").write_text("x")
    (folder / "clients").write_text('{"clients": []}')
    return {
        "TLS_CERTIFICATE_FILE": certificate, "TLS_KEY_FILE": key, "TLS_CLIENT_CA_FILE": str(folder / "ca"),
        "CLIENTS_FILE": str(folder / "clients"),
    }  # fmt: skip


@pytest.mark.parametrize(
    ("given", "word"),
    [
        (lambda _: {"DEFAULT_PROFILE": "nobody"}, "DEFAULT_PROFILE"),
        (_no_rules, ".yaml: not there"),
        (_broken_rules, "decision/"),
        (_sources_a_list, "sources.yaml"),
        (_profile(""), "agency"),
        (_profile("id: agency\nver"), "agency"),
        (_profile("id: agency\nversion: 1\nname: x\nchoices: 3\n"), "agency"),
        (_profile("a: [1\n"), "agency"),
        (_file("CLIENTS_FILE", '{"clients": [{"na'), "CLIENTS_FILE"),
        (_file("KEY_SET_FILE", "{}", TOKEN_ISSUER="i", TOKEN_AUDIENCE="a"), "KEY_SET_FILE"),
        (_keys_of_another, "TLS_KEY_FILE"),
        (_broken_authorities, "TLS_CLIENT_CA_FILE"),
    ],
    ids=["profile that is not there", "no rules", "rule half written", "sources a list", "profile empty", "profile half written",
         "profile of the wrong form", "profile no YAML", "clients half written", "no key set", "key of another",
         "no authorities"],
)  # fmt: skip
def test_what_cannot_be_used_is_refused(tmp_path: Path, given: object, word: str) -> None:
    lines = refused(**given(tmp_path))  # type: ignore[operator]
    assert lines and all(word in line for line in lines), lines
    assert len(set(lines)) == len(lines)


def test_settings_are_refused_in_words() -> None:
    environ = {**os.environ, f"{PREFIX}PORT": "none", f"{PREFIX}COLOUR": "red"}
    done = subprocess.run(process.command(), env=environ, capture_output=True, text=True, timeout=20, check=False)
    assert done.returncode == 2
    assert f"{PREFIX}COLOUR is not a setting" in done.stderr
    assert f"{PREFIX}PORT must be a whole number" in done.stderr
    assert len(done.stderr.splitlines()) == 2


def test_the_start_says_what_runs_and_where(service: Service) -> None:
    lines = {line["event"]: line for line in service.lines()}
    book = json.loads(service.call("GET", "/v1/profiles")[2])
    assert lines["server-listening"]["address"] == f"127.0.0.1:{service.port}"
    assert lines["rules-read"]["digest"] in json.dumps(book)
    for line in service.lines():
        assert "" not in line.values(), "a field without a value"
