"""``GET /openapi.yaml``, and the part of it that is written from the model.

The schemas of the episode and the example of a clean one stand in
``openapi.yaml`` between marks; they are made from the declarations in
``service.episode.record`` and from the exemplary demo episode::

    python -m service.api.contract           # says whether they are equal
    python -m service.api.contract --write   # makes them equal
"""

from __future__ import annotations

import json
import re
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import yaml
from flask import Blueprint, Flask, Response, request

from service.episode.schema import episode_schema
from service.resources import demo_directory, openapi_path

from .documents import YAML, Document

_EXEMPLARY = demo_directory() / "exemplary.json"
_MARK = "# --- written by python -m service.api.contract --write: {name} {edge} ---"


def register(app: Flask) -> None:
    """Add the route; the file is read here, once."""
    routes = Blueprint("contract", __name__)
    document = Document.of(openapi_path().read_bytes(), YAML)

    @routes.get("/openapi.yaml")
    def contract() -> Response:
        return document.answer(request)

    app.register_blueprint(routes)


class _Plain(yaml.SafeDumper):
    """Without anchors: a contract is read by people."""

    def ignore_aliases(self, data: object) -> bool:
        return True


def _clean_episode() -> dict[str, Any]:
    return {"clean": {"summary": "A chart with every member", "value": json.loads(_EXEMPLARY.read_bytes())}}


#: Part of the contract -> what is written there.
_PARTS: dict[str, Callable[[], dict[str, Any]]] = {"schemas": episode_schema, "example": _clean_episode}


def with_generated(text: str) -> str:
    """``text`` of the contract with its generated parts written anew. Raises ValueError where a mark is missing."""
    for name, make in _PARTS.items():
        begin, end = (_MARK.format(name=name, edge=edge) for edge in ("begin", "end"))
        pattern = re.compile(f"^( *){re.escape(begin)}\n.*?^ *{re.escape(end)}$", re.DOTALL | re.MULTILINE)
        found = pattern.search(text)
        if found is None:
            raise ValueError("a mark is missing")
        # Flow style for innermost lists and objects only: whole, and still readable.
        made = yaml.dump(make(), Dumper=_Plain, sort_keys=False, allow_unicode=True, width=110, default_flow_style=None)
        lines = [begin, *made.splitlines(), end]
        text = text[: found.start()] + "\n".join(found[1] + line for line in lines) + text[found.end() :]
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
