"""``keys``: what it makes is what the service takes; a change leaves the old file or a whole new one."""

from __future__ import annotations

import datetime
import hashlib
import io
import json
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

from service import cli
from service.access import clients

Out = pytest.CaptureFixture[str]


def test_a_key_that_is_made_is_known_by_its_digest(capsys: Out, monkeypatch: pytest.MonkeyPatch) -> None:
    assert cli.main(["keys", "make"]) == 0
    out, err = capsys.readouterr()
    key = err.splitlines()[-1]
    entry = {"name": "charting", "scopes": ["review"], "keys": [out.strip()]}
    client = clients.read(json.dumps({"clients": [entry]}).encode()).by_key(key)
    assert client is not None and client.name == "charting"
    monkeypatch.setattr("sys.stdin", io.StringIO(key + "\n"))
    assert cli.main(["keys", "hash"]) == 0
    assert capsys.readouterr().out == out


def test_what_was_not_made_here_is_not_hashed(capsys: Out, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO("secret\n"))
    assert cli.main(["keys", "hash"]) == 2
    out, err = capsys.readouterr()
    assert not out and "secret" not in err


def test_a_key_is_changed_in_turn(capsys: Out, tmp_path: Path) -> None:
    file = tmp_path / "clients.json"

    def add(*more: str) -> str:
        assert cli.main(["keys", "add", str(file), "charting", *more]) == 0
        return capsys.readouterr().out.strip()

    first = add("--scopes", "review,batch")
    second = add()
    both = clients.read(file.read_bytes())
    assert both.by_key(first) == both.by_key(second) != None  # noqa: E711
    assert both.by_key(first).scopes == {"review", "batch"}  # type: ignore[union-attr]
    file.chmod(0o640)
    assert cli.main(["keys", "drop-old", str(file), "charting"]) == 0
    left = clients.read(file.read_bytes())
    assert left.by_key(first) is None
    assert left.by_key(second) is not None
    assert file.stat().st_mode & 0o777 == 0o640
    assert [each.name for each in tmp_path.iterdir()] == ["clients.json"], "nothing else is left"
    assert first not in file.read_text() and second not in file.read_text()


@pytest.mark.parametrize(
    "arguments",
    [
        ["add", "FILE", "new"],
        ["add", "FILE", "new", "--scopes", "everything"],
        ["add", "FILE", "Not A Name", "--scopes", "review"],
        ["add", "FILE", "charting", "--scopes", "review"],
        ["add", "BROKEN", "charting"],
        ["add", "nowhere/at/all", "charting", "--scopes", "review"],
        ["drop-old", "FILE", "nobody"],
        ["drop-old", "nowhere/at/all", "charting"],
        ["hash", "--certificate", "FILE"],
    ],
)
def test_what_cannot_be_done_changes_nothing(capsys: Out, tmp_path: Path, arguments: list[str]) -> None:
    file, broken = tmp_path / "clients.json", tmp_path / "broken.json"
    file.write_text('{"clients": [{"name": "charting", "scopes": ["review"]}]}')
    broken.write_text("{")
    before = file.read_bytes()
    named = {"FILE": str(file), "BROKEN": str(broken)}
    assert cli.main(["keys", *(named.get(each, each) for each in arguments)]) == 2
    assert len(capsys.readouterr().err.splitlines()) == 1
    assert file.read_bytes() == before and broken.read_text() == "{"


def test_a_certificate_is_hashed_as_the_server_sees_it(capsys: Out, tmp_path: Path) -> None:
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "charting")])
    now = datetime.datetime(2031, 1, 1)
    made = (
        x509.CertificateBuilder().subject_name(name).issuer_name(name).public_key(key.public_key())
        .serial_number(1).not_valid_before(now).not_valid_after(now + datetime.timedelta(days=1))
    ).sign(key, hashes.SHA256())  # fmt: skip
    file = tmp_path / "chain.pem"
    pem = made.public_bytes(serialization.Encoding.PEM)
    file.write_bytes(b"a line before\n" + pem + pem)
    assert cli.main(["keys", "hash", "--certificate", str(file)]) == 0
    der = made.public_bytes(serialization.Encoding.DER)
    assert capsys.readouterr().out == f"sha256:{hashlib.sha256(der).hexdigest()}\n"
