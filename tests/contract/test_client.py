"""A client made from openapi.yaml by a public generator (openapi-python-client) talks to the running service."""

from __future__ import annotations

import importlib
import json
import subprocess
import sys
from pathlib import Path

import pytest

from service.resources import demo_directory, openapi_path
from service.server import process


@pytest.mark.live
def test_a_generated_client_posts_an_episode(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    made = tmp_path / "made"
    options = tmp_path / "options.yaml"
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
    monkeypatch.syspath_prepend(str(made))
    client_class = importlib.import_module("made_client").Client
    episode_class = importlib.import_module("made_client.models").Episode
    review = importlib.import_module("made_client.api.review.review")
    ready = importlib.import_module("made_client.api.operations.ready")
    sent = json.loads((demo_directory() / "exemplary.json").read_bytes())
    episode = episode_class.from_dict(json.loads(json.dumps(sent)))
    assert episode.to_dict() == sent, "nothing is lost on the way through the client"
    with process.running() as (base, _), client_class(base_url=base) as client:
        assert ready.sync_detailed(client=client).status_code == 200
        answer = review.sync_detailed(client=client, body=episode)
        assert answer.status_code == 200
        assert answer.parsed.episode_ref == sent["episode_ref"]
        assert answer.parsed.to_dict() == json.loads(answer.content)
