"""``GET /openapi.yaml``, what is made from it, and the part of it that is written from the model.

The schemas of the episode and the example of a clean one stand in
``openapi.yaml`` between marks; they are made from the declarations in
``service.episode.record`` and from the exemplary demo episode::

    python -m service.api.contract           # says whether they are equal
    python -m service.api.contract --write   # makes them equal

The examples of answers stand between marks too; ``tests.contract.examples`` asks the service for them.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

from flask import Blueprint, Flask, Response, request

from service.episode.schema import episode_schema
from service.resources import demo_directory, openapi_path

from .contract_parts import as_yaml, episode_document, json_part, marked
from .documents import JSON, YAML, Document

_EXEMPLARY = demo_directory() / "exemplary.json"


def register(app: Flask) -> None:
    """Add the routes; every document is made here, once."""
    routes = Blueprint("contract", __name__)
    content = openapi_path().read_bytes()
    documents = {
        "/openapi.yaml": Document.of(content, YAML),
        "/openapi-json.yaml": Document.of(json_part(content.decode()), YAML),
        "/episode.schema.json": Document.of(episode_document(), JSON),
    }

    def contract() -> Response:
        return documents[request.path].answer(request)

    for path in documents:
        routes.add_url_rule(path, path.strip("/").replace(".", "-"), contract)
    app.register_blueprint(routes)


def _clean_episode() -> dict[str, Any]:
    return {"clean": {"summary": "A chart with every member", "value": json.loads(_EXEMPLARY.read_bytes())}}


#: Part of the contract -> what is written there.
_PARTS: dict[str, Callable[[], dict[str, Any]]] = {"schemas": episode_schema, "example": _clean_episode}


def with_part(text: str, name: str, value: Any) -> str:
    """``text`` of the contract with ``value`` between the marks of a part. Raises ValueError where a mark is missing."""
    found = marked(name).search(text)
    if found is None:
        raise ValueError("a mark is missing")
    begin, *_, end = found[0].splitlines()
    lines = [begin.strip(), *as_yaml(value).splitlines(), end.strip()]
    written = "\n".join(found[1] + line if line else "" for line in lines)
    return text[: found.start()] + written + text[found.end() :]


def with_generated(text: str) -> str:
    """``text`` of the contract with its generated parts written anew."""
    for name, make in _PARTS.items():
        text = with_part(text, name, make())
    return text


def main(path: Path, write: bool) -> int:
    """0 when the contract agrees with the model (or was made to), else 1."""
    text = path.read_text("utf-8")
    wanted = with_generated(text)
    if write:
        path.write_text(wanted, "utf-8")
    elif text != wanted:
        print("openapi.yaml and the model differ: python -m service.api.contract --write")
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main(openapi_path(), "--write" in sys.argv[1:]))
