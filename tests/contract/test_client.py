"""A client made from openapi.yaml by a public generator (openapi-python-client) talks to the running service."""

from __future__ import annotations

import importlib
import json
import subprocess
import sys
from collections.abc import Iterator
from typing import Any

import pytest

from service.resources import demo_directory, openapi_path
from service.server import process
from tests.contract.checked import Contract

_MARKS: dict[str, list[dict[str, Any]]] = {
    "Absence": [{"absent": "not_collected"}, {"absent": "declined", "reason": "unsafe_to_attempt"}],
    "NoneOfIt": [{"none": True}],
}


@pytest.fixture(scope="module")
def generated(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The name of the client's package, made anew from the contract."""
    made = tmp_path_factory.mktemp("client") / "made"
    options = made.with_name("options.yaml")
    options.write_text(
        "package_name_override: made_client\npost_hooks: []\n"
        "content_type_overrides: {application/yaml: text/plain, text/csv: text/plain,"
        " application/xml: application/octet-stream, text/xml: application/octet-stream,"
        " application/x-ndjson: application/octet-stream, application/fhir+ndjson: application/octet-stream, application/fhir+json: application/json}\n"
    )
    subprocess.run(
        [sys.executable, "-m", "openapi_python_client", "generate", "--path", str(openapi_path()),
         "--output-path", str(made), "--config", str(options), "--fail-on-warning"],
        check=True, capture_output=True, text=True, timeout=120,
    )  # fmt: skip
    sys.path.insert(0, str(made))
    yield "made_client"
    sys.path.remove(str(made))


@pytest.fixture(scope="module")
def episode_class(generated: str) -> Any:
    return importlib.import_module(f"{generated}.models").Episode


@pytest.mark.live
def test_every_demo_episode_goes_through_a_generated_client(generated: str, episode_class: Any) -> None:
    client_class = importlib.import_module(generated).Client
    review = importlib.import_module("made_client.api.review.review")
    ready = importlib.import_module("made_client.api.operations.ready")
    demos = [path for path in sorted(demo_directory().glob("*.json")) if path.name != "index.json"]
    assert len(demos) == 8
    titles = []
    with process.running() as (base, _), client_class(base_url=base) as client:
        assert ready.sync_detailed(client=client).status_code == 200
        for path in demos:
            sent = json.loads(path.read_bytes())
            episode = episode_class.from_dict(json.loads(json.dumps(sent)))
            assert episode.to_dict() == sent, f"something of {path.name} is lost on the way through the client"
            answer = review.sync_detailed(client=client, body=episode)
            assert answer.status_code == 200
            assert answer.parsed.episode_ref == sent["episode_ref"]
            assert answer.parsed.to_dict() == json.loads(answer.content)
            titles += [finding.title for finding in answer.parsed.findings]
    assert titles


def test_every_mark_of_absence_goes_through_unchanged(episode_class: Any) -> None:
    """Each section and member in turn, as none of it, declined and not collected."""
    walked = 0
    for name, schema in Contract().document["components"]["schemas"]["Episode"]["properties"].items():
        marks = [each.get("$ref", "").rpartition("/")[2] for each in schema.get("anyOf", ())]
        for mark in marks:
            for value in _MARKS.get(mark, ()):
                sent = {"episode_ref": "a", name: value}
                assert episode_class.from_dict(json.loads(json.dumps(sent))).to_dict() == sent
                walked += 1
    assert walked > 30
