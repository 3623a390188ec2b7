"""A short fuzz with a fixed seed, through the whole application, and everything that fuzzing has ever found."""

from __future__ import annotations

import json
import random
from collections.abc import Iterator
from pathlib import Path

import pytest

from service.app import create_app
from service.formats.fhir import write as fhir_writer
from service.formats.nemsis import write as nemsis_writer
from service.settings import Settings
from tests.contract.checked import Client, Contract
from tests.ops.targets import TARGETS
from tests.support.pipeline import demo, demo_names, pipeline

FOUND = Path(__file__).parent / "found"
_WORDS = [b"null", b"NaN", b"1e999", b"-1", b"\\ud800", b"[", b"{", b'"', b"\xff", b"\x00", b"<", b"&x;", b"]]>", b"0" * 500,
          b"2031-02-30T00:00:00Z", b"9999-12-31T23:59:59+23:59", b"0001-01-01T00:00:00-23:59", b'"absent"', b"true"]  # fmt: skip
_ROUTES = {
    "json": ("/v1/reviews", "application/json"),
    "fhir": ("/v1/reviews", "application/fhir+json"),
    "nemsis": ("/v1/reviews", "application/xml"),
    "hook": ("/cds-services/restraint-review", "application/json"),
    "feedback": ("/cds-services/restraint-review/feedback", "application/json"),
    "lines": ("/v1/batches", "application/x-ndjson"),
}
_TIMES = 150


def seeds(target: str) -> list[bytes]:
    """Good inputs of a target."""
    episodes = [demo(name) for name in demo_names()]
    bodies = [json.dumps(each).encode() for each in episodes]
    if target == "json":
        return bodies
    if target == "lines":
        return [b"\n".join(bodies[:2])]
    if target == "clients":
        return [b'{"clients": [{"name": "a", "scopes": ["review"], "keys": ["sha256:%s"]}]}' % (b"0" * 64)]
    if target == "keys":
        return [b'{"keys": [{"kty": "EC", "crv": "P-256", "kid": "k", "x": "AA", "y": "AA"}]}']
    if target == "feedback":
        uuid = "2f6f1f6e-6a60-4f0a-9f57-3b1c2f4f8d11"
        entry = {"card": uuid, "outcome": "overridden", "outcomeTimestamp": "2031-04-12T19:31:00Z"}
        return [json.dumps({"feedback": [entry]}).encode()]
    if target == "hook":
        asked = {"hook": "example.restraint-review.chart-close", "hookInstance": "2f6f1f6e-6a60-4f0a-9f57-3b1c2f4f8d11"}
        return [json.dumps({**asked, "context": {"episode": each}}).encode() for each in episodes[:2]]
    if target == "fhir":
        return [fhir_writer.encoded(pipeline().read(body, "application/json").episode) for body in bodies[:3]]
    return [nemsis_writer.write(episode).document for episode in episodes[:3]]


def mutants(target: str, count: int) -> Iterator[bytes]:
    """Inputs with a few places broken; the same ones in every run."""
    rng = random.Random(f"restraint-review {target}")
    good = seeds(target)
    for _ in range(count):
        body = bytearray(rng.choice(good))
        for _ in range(rng.randint(1, 6)):
            at = rng.randrange(len(body) + 1)
            change = rng.randrange(4)
            if change == 0:
                body[at : at + rng.randint(1, 40)] = b""
            elif change == 1:
                body[at : at + rng.randint(0, 4)] = rng.choice(_WORDS)
            elif change == 2 and body:
                body[at - 1] = rng.randrange(256)
            else:
                start = rng.randrange(len(body) + 1)
                body[at:at] = body[start : start + rng.randint(1, 200)]
        yield bytes(body)


@pytest.mark.parametrize("target", _ROUTES)
def test_no_body_is_ever_a_fault_of_ours(target: str) -> None:
    client = Client(create_app(Settings(), pipeline()), Contract())
    path, media_type = _ROUTES[target]
    statuses = set()
    for body in mutants(target, _TIMES):
        answer = client.call("POST", path, body, {"Content-Type": media_type})
        assert answer.status < 500, body
        assert b"internal-error" not in answer.body or target != "lines", body
        statuses.add(answer.status)
    assert statuses & {400, 422} or target == "lines"


@pytest.mark.parametrize("target", ["clients", "keys"])
def test_no_file_is_ever_a_fault_of_ours(target: str) -> None:
    for content in mutants(target, _TIMES):
        TARGETS[target](content)


@pytest.mark.parametrize("path", sorted(FOUND.glob("*")), ids=lambda path: path.name)
def test_what_was_found_once(path: Path) -> None:
    """File names begin with the target."""
    TARGETS[path.name.split("-")[0]](path.read_bytes())
