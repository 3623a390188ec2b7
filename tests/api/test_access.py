"""Who calls: keys, tokens, certificates, scopes, rates. The published parts: RFC 6750, 7517, 7519, 8725, 9440."""

from __future__ import annotations

import base64
import datetime
import hashlib
import hmac
import json
import os
import time
import urllib.parse
from collections.abc import Callable
from pathlib import Path
from typing import Any

import jwt
import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec, rsa
from cryptography.x509.oid import NameOID
from jwt.algorithms import ECAlgorithm, RSAAlgorithm

from service.access import clients, files, tokens
from service.access import rate as rates
from service.access.certificates import passed_on
from service.access.scopes import NEEDS, OPEN
from service.app import create_app
from service.pipeline import Pipeline
from service.settings import Settings, SettingsError, _networks
from tests.contract.checked import Client, Contract

CANARY = "Zq7canaryXw"
KEY, OTHER = "rrk_" + "A" * 43, "rrk_" + "B" * 43
EPISODE = {"episode_ref": "a"}


def digest(key: str) -> str:
    return "sha256:" + hashlib.sha256(key.encode()).hexdigest()


def write(path: Path, *entries: dict[str, Any]) -> Path:
    path.write_text(json.dumps({"clients": entries}))
    return path


def bearer(credential: str) -> dict[str, str]:
    return {"Authorization": f"Bearer {credential}"}


@pytest.fixture
def asking(pipeline: Pipeline, contract: Contract, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Any:
    """Make a client of an application with these settings; files are looked at anew on every request."""
    monkeypatch.setattr(files, "_LOOK_EVERY", 0.0)

    def make(*entries: dict[str, Any], **settings: Any) -> Client:
        if entries:
            settings["clients_file"] = write(tmp_path / "clients.json", *entries)
        return Client(create_app(Settings(**settings), pipeline), contract)

    return make


Asking = Callable[..., Client]
CHARTING = {"name": "charting", "scopes": ["review"], "keys": [digest(KEY)]}


def test_without_a_key_is_401_and_with_one_200(asking: Asking) -> None:
    client = asking(CHARTING)
    refused = client.review(EPISODE)
    assert (refused.status, refused.json["code"]) == (401, "unknown-caller")
    assert refused.headers["WWW-Authenticate"].startswith("Bearer")  # RFC 6750, section 3
    assert client.review(EPISODE, headers=bearer(KEY)).status == 200
    assert client.review(EPISODE, headers={"Authorization": f"bearer  {KEY}"}).status == 200


@pytest.mark.parametrize(
    "header",
    [
        "",
        KEY,
        f"Basic {KEY}",
        f"Bearer {OTHER}",
        f"Bearer {KEY}x",
        f"Bearer {KEY[:-1]}",
        "Bearer " + digest(KEY),
        f"Bearer {CANARY}",
        "Bearer \xff\xfe",
        "Bearer a.b.c",
        "Bearer",
    ],
)
def test_what_is_no_key_is_401_and_not_repeated(asking: Asking, header: str) -> None:
    answer = asking(CHARTING).review(EPISODE, headers={"Authorization": header})
    assert answer.status == 401
    assert CANARY not in answer.body.decode()


@pytest.mark.parametrize(
    ("scope", "calls"),
    [
        ("review", {("POST", "/v1/reviews"), ("POST", "/try"), ("POST", "/cds-services/restraint-review")}),
        ("batch", {("POST", "/v1/batches"), ("POST", "/v1/measures")}),
        ("rulebook", {("GET", "/v1/rules"), ("GET", "/v1/profiles/default"), ("GET", "/v1/facts")}),
        ("metrics", {("GET", "/metrics")}),
    ],
)
def test_a_scope_opens_its_routes_and_no_other(asking: Asking, scope: str, calls: set[tuple[str, str]]) -> None:
    client = asking({**CHARTING, "scopes": [scope]})
    every = {("POST", "/v1/reviews"), ("POST", "/try"), ("POST", "/cds-services/restraint-review"), ("POST", "/v1/batches"), ("POST", "/v1/measures"),
             ("GET", "/v1/rules"), ("GET", "/v1/profiles/default"), ("GET", "/v1/facts"), ("GET", "/metrics")}  # fmt: skip
    # A scope lets through to the next refusal (415 for a body without a type) or to the answer.
    seen = {call: client.call(*call, headers=bearer(KEY)).status for call in every}
    assert {call for call, status in seen.items() if status != 403} == calls
    assert all(status in (200, 415) for call, status in seen.items() if call in calls)
    assert {call: client.call(*call).status for call in every} == dict.fromkeys(every, 401)


def test_open_routes_are_open(asking: Asking) -> None:
    client = asking(CHARTING)
    for path in ("/", "/openapi.yaml", "/openapi-json.yaml", "/problems/not-json", "/health/live", "/health/ready"):
        assert client.get(path).status == 200
    assert client.call("OPTIONS", "/v1/reviews").status == 204


def test_every_route_is_open_or_has_a_scope_and_the_contract_says_which(asking: Asking, contract: Contract) -> None:
    for path, operations in contract.document["paths"].items():
        route = path.replace("{rule}", "<key>").replace("{profile}", "<key>").replace("{", "<").replace("}", ">")
        for operation in operations.values():
            is_open = operation.get("security") == []
            assert is_open == (route in OPEN), path
            assert is_open or route in NEEDS, path
            assert is_open or {"401", "403", "429"} <= operation["responses"].keys(), path


def test_refusals_of_access_come_in_the_settled_order(asking: Asking) -> None:
    client = asking(CHARTING, requests_per_minute=10)
    wrong = {"Content-Type": "text/plain", "Accept": "image/png"}
    assert client.call("GET", "/nowhere", headers=wrong).status == 404
    assert client.call("PUT", "/v1/reviews", headers=wrong).status == 405
    assert client.call("POST", "/v1/reviews", b"x", wrong, "explain=2").status == 401
    assert client.call("POST", "/v1/batches", b"x", {**wrong, **bearer(KEY)}).status == 403
    assert client.call("POST", "/v1/reviews", b"x", {**wrong, **bearer(KEY)}).status == 415
    assert client.call("POST", "/v1/reviews", b"x", {**wrong, **bearer(KEY)}).status == 429


def test_a_key_is_rotated_without_a_restart(asking: Asking, tmp_path: Path) -> None:
    client = asking(CHARTING)
    file = tmp_path / "clients.json"
    write(file, {**CHARTING, "keys": [digest(KEY), digest(OTHER)]})
    assert {client.review(EPISODE, headers=bearer(key)).status for key in (KEY, OTHER)} == {200}
    write(file, {**CHARTING, "keys": [digest(OTHER)]})
    assert client.review(EPISODE, headers=bearer(KEY)).status == 401
    assert client.review(EPISODE, headers=bearer(OTHER)).status == 200


@pytest.mark.parametrize("content", [b"", b'{"clients": [{"na', b"{}", b'{"clients": [{"name": "charting"}]}', None])
def test_a_file_that_cannot_be_used_changes_nothing_and_is_told(
    asking: Asking, tmp_path: Path, content: bytes | None, logged: Callable[[], str]
) -> None:
    client = asking(CHARTING)
    file = tmp_path / "clients.json"
    if content is None:
        file.unlink()
    else:
        file.write_bytes(content)
    assert client.review(EPISODE, headers=bearer(KEY)).status == 200
    assert client.review(EPISODE).status == 401
    assert "access-file-not-read" in logged()


@pytest.mark.parametrize(
    "entries",
    [
        [{"name": "a"}],
        [{"name": "A", "scopes": ["review"]}],
        [{"name": "a", "scopes": []}],
        [{"name": "a", "scopes": ["all"]}],
        [{"name": "a", "scopes": ["review"], "keys": [KEY]}],
        [{"name": "a", "scopes": ["review"], "keys": digest(KEY)}],
        [{"name": "a", "scopes": ["review"], "other": 1}],
        [{"name": "a", "scopes": ["review"]}, {"name": "a", "scopes": ["batch"]}],
        [{**CHARTING, "name": "a"}, {**CHARTING, "name": "b"}],
        [[]],
        [{"name": ["a"], "scopes": [["review"]]}],
    ],
)
def test_a_wrong_file_of_clients_stops_the_start(asking: Asking, entries: list[Any]) -> None:
    with pytest.raises(SettingsError, match="CLIENTS_FILE") as caught:
        asking(*entries)
    assert KEY not in str(caught.value)


def test_every_key_is_compared_in_constant_time(monkeypatch: pytest.MonkeyPatch) -> None:
    compared: list[bytes] = []
    real = hmac.compare_digest
    monkeypatch.setattr(clients.hmac, "compare_digest", lambda a, b: compared.append(a) or real(a, b))
    entries = [{"name": f"c{n}", "scopes": ["review"], "keys": [digest("rrk_" + chr(65 + n) * 43)]} for n in range(5)]
    known = clients.read(json.dumps({"clients": entries}).encode())
    found = known.by_key(KEY)
    assert found is not None and found.name == "c0"
    assert len(compared) == 5, "the first match must not end the comparison"


def test_a_new_worker_lets_nobody_in_by_a_file_that_only_the_master_has_read(
    asking: Asking, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The master's file may have a key that has been taken away since; other workers know, this one cannot."""
    client = asking(CHARTING)
    file = tmp_path / "clients.json"
    file.write_bytes(b'{"clients": [{"na')
    monkeypatch.setattr(files.os, "getpid", lambda: -1)  # as after a fork
    answer = client.review(EPISODE, headers=bearer(KEY))
    assert (answer.status, answer.json["code"], answer.headers["Retry-After"]) == (503, "not-ready", "1")
    assert client.call("GET", "/v1/rules", headers=bearer(KEY)).status == 503
    assert client.call("GET", "/health/ready").status == 200
    write(file, {**CHARTING, "keys": [digest(OTHER)]})
    assert client.review(EPISODE, headers=bearer(KEY)).status == 401
    assert client.review(EPISODE, headers=bearer(OTHER)).status == 200


def test_a_new_worker_goes_on_with_a_file_that_has_not_changed(asking: Asking, monkeypatch: pytest.MonkeyPatch) -> None:
    client = asking(CHARTING)
    monkeypatch.setattr(files.os, "getpid", lambda: -1)
    assert client.review(EPISODE, headers=bearer(KEY)).status == 200


def test_requests_of_one_client_do_not_use_up_those_of_another(asking: Asking) -> None:
    second = {"name": "second", "scopes": ["review"], "keys": [digest(OTHER)]}
    client = asking(CHARTING, second, requests_per_minute=30)
    statuses = [client.review(EPISODE, headers=bearer(KEY)).status for _ in range(5)]
    assert statuses == [200, 200, 200, 429, 429]
    answer = client.review(EPISODE, headers=bearer(KEY))
    assert 1 <= int(answer.headers["Retry-After"]) <= 2
    assert client.review(EPISODE, headers=bearer(OTHER)).status == 200


def test_the_bucket_fills_again(monkeypatch: pytest.MonkeyPatch) -> None:
    now = [0.0]
    monkeypatch.setattr(rates.time, "monotonic", lambda: now[0])
    rate = rates.Rate(60)
    assert [rate.wait("a") for _ in range(7)] == [0] * 6 + [2]
    now[0] = 1.5
    assert rate.wait("a") == 0
    assert rate.wait("a") > 0


# ---------------------------------------------------------------- tokens

EC_KEY = ec.generate_private_key(ec.SECP256R1())
ISSUER, AUDIENCE = "https://issuer.invalid", "restraint-review"


def key_set(path: Path, key: Any = EC_KEY, **more: Any) -> Path:
    algorithm = RSAAlgorithm if isinstance(key, rsa.RSAPrivateKey) else ECAlgorithm
    entry = {**json.loads(algorithm.to_jwk(key.public_key())), "kid": "k1", **more}
    path.write_text(json.dumps({"keys": [entry]}))
    return path


def token(key: Any = EC_KEY, algorithm: str = "ES256", headers: dict[str, Any] | None = None, **claims: Any) -> str:
    base = {"iss": ISSUER, "aud": AUDIENCE, "exp": int(time.time()) + 300, "scope": "review", "sub": CANARY}
    held = {name: value for name, value in {**base, **claims}.items() if value is not None}
    return jwt.encode(held, key, algorithm, headers={"kid": "k1", **(headers or {})})


@pytest.fixture
def with_tokens(asking: Asking, tmp_path: Path) -> Any:
    def make(**settings: Any) -> Client:
        file = key_set(tmp_path / "keys.json")
        return asking(key_set_file=file, token_issuer=ISSUER, token_audience=AUDIENCE, **settings)

    return make


def test_a_token_that_holds_is_taken(with_tokens: Asking) -> None:
    client = with_tokens()
    assert client.review(EPISODE, headers=bearer(token())).status == 200
    assert client.review(EPISODE, headers=bearer(token(scope="openid batch"))).status == 403
    assert client.review(EPISODE, headers=bearer(token(scope=None))).status == 403
    assert client.review(EPISODE, headers=bearer(token(aud=["other", AUDIENCE]))).status == 200


def test_a_token_without_scopes_has_those_of_the_setting(with_tokens: Asking) -> None:
    client = with_tokens(token_scopes=("review",))
    assert client.review(EPISODE, headers=bearer(token(scope=None))).status == 200
    assert client.review(EPISODE, headers=bearer(token(scope=""))).status == 403


def test_a_cds_client_may_call_the_one_service_its_token_is_for(with_tokens: Asking) -> None:
    # CDS Hooks 2.0, "Trusting CDS Clients": aud is the address of the service, and there are no scopes.
    client = with_tokens(base_url="https://review.invalid/")
    path = "/cds-services/restraint-review"
    claims = {"aud": f"https://review.invalid{path}", "iat": int(time.time()), "jti": "1", "scope": None}

    def status(to: str, **changed: Any) -> int:
        headers = {"Content-Type": "application/json", **bearer(token(headers={"typ": "JWT"}, **{**claims, **changed}))}
        return client.call("POST", to, b"{}", headers).status

    assert status(path) == 422, "known, and the body is no request"
    assert status(path, aud="https://other.invalid" + path) == 401
    assert status(path, exp=int(time.time()) - 60) == 401
    assert status(path, jti=None) == 401
    assert status(f"{path}/feedback") == 401, "another address"
    assert status("/v1/reviews") == 401


def _forged() -> dict[str, str]:
    other = ec.generate_private_key(ec.SECP256R1())
    public = EC_KEY.public_key().public_bytes(
        serialization.Encoding.PEM, serialization.PublicFormat.SubjectPublicKeyInfo
    )

    def part(value: Any) -> bytes:
        return base64.urlsafe_b64encode(json.dumps(value).encode()).rstrip(b"=")

    claims = {"iss": ISSUER, "aud": AUDIENCE, "exp": int(time.time()) + 300, "scope": "review"}
    unsigned = part({"alg": "none", "kid": "k1"}) + b"." + part(claims) + b"."
    head = part({"alg": "HS256", "kid": "k1"}) + b"." + part(claims)
    mac = base64.urlsafe_b64encode(hmac.new(public, head, "sha256").digest()).rstrip(b"=")
    good = token()
    return {
        "expired": token(exp=int(time.time()) - 60),
        "not yet": token(nbf=int(time.time()) + 300),
        "no expiry": token(exp=None),
        "other issuer": token(iss="https://other.invalid"),
        "no issuer": token(iss=None),
        "other audience": token(aud="other"),
        "no audience": token(aud=None),
        "another key": token(other),
        "unknown kid": token(headers={"kid": "k2"}),
        "no signature": unsigned.decode(),  # RFC 8725, section 2.1
        "public key as secret": (head + b"." + mac).decode(),  # RFC 8725, section 2.1
        "cut": good[:-4],
        "changed": good[:40] + ("A" if good[40] != "A" else "B") + good[41:],
    }


@pytest.mark.parametrize("name", sorted(_forged()))
def test_a_token_that_does_not_hold_is_401(with_tokens: Asking, name: str) -> None:
    assert with_tokens().review(EPISODE, headers=bearer(_forged()[name])).status == 401


def test_key_sets_that_are_refused(tmp_path: Path) -> None:
    secret = {"kty": "oct", "k": "AAAA", "kid": "k1"}
    short = rsa.generate_private_key(65537, 1024)
    private = json.loads(ECAlgorithm.to_jwk(EC_KEY))
    for content in (b"", b"{}", b'{"keys": []}', b'{"keys": [{}]}', json.dumps({"keys": [secret]}).encode(),
                    key_set(tmp_path / "a", short).read_bytes(),
                    json.dumps({"keys": [{**private, "kid": "k"}]}).encode()):  # fmt: skip
        with pytest.raises(tokens.KeySetError):
            tokens.read(content)


def test_the_holder_of_a_token_is_not_logged(with_tokens: Asking, logged: Callable[[], str]) -> None:
    assert with_tokens().review(EPISODE, headers=bearer(token())).status == 200
    assert '"client": "token"' in logged() and CANARY not in logged()


# ---------------------------------------------------------------- certificates


def certificate() -> bytes:
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "charting")])
    now = datetime.datetime(2031, 1, 1)
    built = (
        x509.CertificateBuilder().subject_name(name).issuer_name(name).public_key(EC_KEY.public_key())
        .serial_number(1).not_valid_before(now).not_valid_after(now + datetime.timedelta(days=1))
    )  # fmt: skip
    return built.sign(EC_KEY, hashes.SHA256()).public_bytes(serialization.Encoding.DER)


def test_a_certificate_from_a_trusted_proxy(asking: Asking) -> None:
    der = certificate()
    entry = {"name": "charting", "scopes": ["review"], "certificates": ["sha256:" + hashlib.sha256(der).hexdigest()]}
    encoded = base64.b64encode(der).decode()
    as_rfc_9440 = {"Client-Cert": f":{encoded}:"}
    lines = "\n".join(encoded[start : start + 64] for start in range(0, len(encoded), 64))
    pem = f"-----BEGIN CERTIFICATE-----\n{lines}\n-----END CERTIFICATE-----\n"
    as_pem = {"Client-Cert": urllib.parse.quote(pem, safe="-_.~")}
    trusted = asking(entry, trusted_proxies=_networks("127.0.0.1"))
    assert trusted.review(EPISODE, headers=as_rfc_9440).status == 200
    assert trusted.review(EPISODE, headers=as_pem).status == 200
    assert trusted.review(EPISODE, headers={"Client-Cert": ":AAAA:"}).status == 401
    assert trusted.review(EPISODE, headers={"Client-Cert": ":%%:"}).status == 401
    # From anybody else the header is a claim like any other.
    assert asking(entry, trusted_proxies=_networks("192.0.2.0/24")).review(EPISODE, headers=as_rfc_9440).status == 401
    assert asking(entry).review(EPISODE, headers=as_rfc_9440).status == 401


def test_the_form_of_the_header_is_that_of_the_standard() -> None:
    # RFC 9440, appendix A: the header value of the example begins and ends so (a byte sequence of RFC 8941).
    assert passed_on(":MIIBqDCC:") == base64.b64decode("MIIBqDCC")
    for other in ("", "MIIB", ":MIIB", "MIIB:", ":MI IB:", "-----BEGIN%20CERTIFICATE-----%0Anonsense", os.sep):
        assert passed_on(other) is None
