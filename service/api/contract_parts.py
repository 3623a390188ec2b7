"""What is made from ``openapi.yaml`` for vendors: the schema of an episode, and the part for JSON in and JSON out."""

from __future__ import annotations

import copy
import functools
import json
import re
from collections.abc import Iterator
from typing import Any

import yaml

from service.episode.schema import episode_schema

EPISODE_SCHEMA = "episode.schema.json"
#: What a vendor needs who sends JSON at chart close and shows the answer.
PATHS = ("/v1/reviews", "/problems/{code}", "/health/ready")
#: Parameters of other formats, and of caches.
_LEFT_OUT = {"resources", "If-None-Match"}
_HEADERS_LEFT_OUT = {"Cache-Control", "Content-Security-Policy", "ETag", "Vary", "X-Content-Type-Options"}
_JSON = ("application/json", "application/problem+json")
_SCHEMAS = "#/components/schemas/"
_LOADER = getattr(yaml, "CSafeLoader", yaml.SafeLoader)


class _Plain(yaml.SafeDumper):
    """Without anchors, and texts of several lines as they are: a contract is read by people."""

    def ignore_aliases(self, data: object) -> bool:
        return True


def _text(dumper: yaml.SafeDumper, value: str) -> yaml.ScalarNode:
    return dumper.represent_scalar("tag:yaml.org,2002:str", value, style="|" if "\n" in value else None)


_Plain.add_representer(str, _text)


def as_yaml(value: Any, width: int = 110) -> str:
    """Flow style for innermost lists and objects only: whole, and still readable."""
    return yaml.dump(value, Dumper=_Plain, sort_keys=False, allow_unicode=True, width=width, default_flow_style=None)


def marked(name: str) -> re.Pattern[str]:
    """The part of the contract that is written between two marks."""
    mark = r"^( *)# --- written by python -m [\w.]+ --write: {} {} ---"
    return re.compile(f"{mark.format(name, 'begin')}\n.*?{mark.format(name, 'end')}$", re.DOTALL | re.MULTILINE)


@functools.cache
def episode_document() -> bytes:
    """The schema of an episode by itself, in JSON Schema 2020-12."""
    text = json.dumps(episode_schema(), ensure_ascii=False).replace(_SCHEMAS, "#/$defs/")
    schemas = json.loads(text)
    head = {"$schema": "https://json-schema.org/draft/2020-12/schema", "title": "Episode"}
    return json.dumps({**head, **schemas.pop("Episode"), "$defs": schemas}, ensure_ascii=False, indent=1).encode()


@functools.cache
def json_part(contract: str) -> bytes:
    """The part of the contract for JSON in and JSON out; an episode is ``episode.schema.json``."""
    for name in ("schemas", "example", "answers"):  # neither the record nor long examples: they need not even be read
        contract = marked(name).sub("", contract)
    whole = yaml.load(contract, _LOADER)
    paths = {path: _operations(whole["paths"][path]) for path in PATHS}
    parts = _used(paths, whole["components"])
    # In JSON a place is always a pointer.
    place = parts["schemas"]["Place"]
    for other in ("fhirpath", "xpath"):
        del place["properties"][other]
    place["required"] = ["pointer", *place["required"]]
    place["description"] = "A place in the episode that was sent."
    info = {
        **whole["info"],
        "title": f"{whole['info']['title']}: JSON in, JSON out",
        "description": "The part of /openapi.yaml that a vendor needs. Limits, callers and other formats are told there.",
    }
    out = {
        **whole,
        "info": info,
        "tags": [each for each in whole["tags"] if each["name"] in ("review", "operations")],
        "paths": paths,
    }
    out["components"] = {"securitySchemes": whole["components"]["securitySchemes"], **parts}
    return as_yaml(out, 120).encode()


def _operations(operations: dict[str, Any]) -> dict[str, Any]:
    out = copy.deepcopy(operations)
    for operation in out.values():
        operation["parameters"] = [each for each in operation.get("parameters", ()) if _name(each) not in _LEFT_OUT]
        if "requestBody" in operation:
            _only_json(operation["requestBody"])
        operation["responses"].pop("304", None)
        for response in operation["responses"].values():
            _only_json(response)
    return out


def _name(parameter: dict[str, Any]) -> str:
    return str(parameter.get("name") or {"IfNoneMatch": "If-None-Match"}.get(parameter["$ref"].rpartition("/")[2], ""))


def _only_json(node: dict[str, Any]) -> None:
    """Of a request or an answer: without other media types, answers long examples, and headers for caches and browsers."""
    if "headers" in node:
        node["headers"] = {name: each for name, each in node["headers"].items() if name not in _HEADERS_LEFT_OUT}
    if "content" in node:
        node["content"] = {media: each for media, each in node["content"].items() if media in _JSON}
        for each in node["content"].values():
            kept = {name: ex for name, ex in each.pop("examples", {}).items() if "$ref" not in ex}
            if kept:
                each["examples"] = kept
            if each["schema"] == {"$ref": f"{_SCHEMAS}Episode"}:
                each["schema"] = {"$ref": EPISODE_SCHEMA}


def _used(paths: dict[str, Any], components: dict[str, Any]) -> dict[str, Any]:
    """The components that the paths refer to, and those that these refer to."""
    out: dict[str, dict[str, Any]] = {"parameters": {}, "headers": {}, "responses": {}, "schemas": {}}
    wanted = list(_references(paths))
    while wanted:
        kind, name = wanted.pop(0)
        if name not in out[kind]:
            part = copy.deepcopy(components[kind][name])
            if kind == "responses":
                _only_json(part)
            out[kind][name] = part
            wanted += _references(part)
    return out


def _references(node: Any) -> Iterator[tuple[str, str]]:
    if isinstance(node, dict):
        if str(node.get("$ref", "")).startswith("#/components/"):
            _, _, kind, name = node["$ref"].split("/")
            yield kind, name
        node = list(node.values())
    if isinstance(node, list):
        for each in node:
            yield from _references(each)
