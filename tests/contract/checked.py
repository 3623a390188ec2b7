"""Holds every call of the tests against openapi.yaml: what was sent, what came back, and that both are described.

The validator is jsonschema-rs (JSON Schema 2020-12), with formats checked: of 0.2 s for one record, jsonschema's way,
it needs 0.001, and every call of the tests comes by here.
"""

from __future__ import annotations

import functools
import json
import re
from collections.abc import Iterable, Mapping
from typing import Any

import yaml
from flask import Flask
from jsonschema_rs import Draft202012, Draft202012Validator, Registry

from service.resources import openapi_path

#: Headers of HTTP itself, which no contract lists.
_OF_HTTP = {"content-type", "content-length", "connection", "date", "server", "transfer-encoding"}
_URN = "urn:contract"


class NotInContract(AssertionError):
    """A call did something that openapi.yaml does not say."""


def _step(name: str) -> str:
    return name.replace("~", "~0").replace("/", "~1").replace("%", "%25").replace("{", "%7B").replace("}", "%7D")


def closed(node: Any) -> Any:
    """The same with every object closed that does not say that it is open.

    Clients keep members that they do not know, since the contract only grows. A test must not: a member that the
    service sends and the contract does not name would be nobody's promise.
    """
    if isinstance(node, dict):
        out = {name: closed(each) for name, each in node.items()}
        if node.get("type") == "object" and isinstance(node.get("properties"), dict):
            out.setdefault("additionalProperties", False)
        return out
    return [closed(each) for each in node] if isinstance(node, list) else node


@functools.cache
def read_contract() -> dict[str, Any]:
    """openapi.yaml as it is."""
    loader = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
    document: dict[str, Any] = yaml.load(openapi_path().read_text("utf-8"), loader)
    return document


class Contract:
    """openapi.yaml, ready to check calls."""

    def __init__(self, document: dict[str, Any] | None = None) -> None:
        self.document = document or read_contract()
        self._registry = Registry([(_URN, closed(self.document))], draft=Draft202012)
        self._validators: dict[tuple[str, ...], Draft202012Validator] = {}
        self._paths = {
            re.compile("^" + re.sub(r"\\\{\w+\\\}", "[^/]+", re.escape(template)) + "$"): template
            for template in self.document["paths"]
        }

    def validate(self, value: Any, *place: str) -> None:
        """Check ``value`` against the schema at ``place`` in the contract."""
        if place not in self._validators:
            schema = {"$ref": f"{_URN}#/" + "/".join(map(_step, place))}
            self._validators[place] = Draft202012Validator(schema, registry=self._registry, validate_formats=True)
        for error in self._validators[place].iter_errors(value):
            raise NotInContract(f"{place}: {error.instance_path}: {error.message[:300]}")

    def template(self, path: str) -> str | None:
        """The path of the contract that ``path`` falls under; one without a variable first."""
        found = [template for pattern, template in self._paths.items() if pattern.match(path)]
        return min(found, key=lambda template: template.count("{"), default=None)

    def check(
        self,
        method: str,
        path: str,
        sent: bytes,
        status: int,
        headers: Iterable[tuple[str, str]],
        body: bytes,
        taken: str = "application/json",
    ) -> None:
        """Check one call; ``taken``: the media type that was sent. Raises NotInContract."""
        template = self.template(path)
        operations = self.document["paths"].get(template, {})
        asked = "get" if method == "HEAD" and "get" in operations else method.lower()
        if template is None:
            place: tuple[str, ...] = ("components", "responses", "NotFound")
            self._expect(status == 404, "an unknown path is 404")
        elif method == "OPTIONS":
            allowed = {each.upper() for each in operations} | ({"HEAD"} if "get" in operations else set()) | {"OPTIONS"}
            self._expect(status == 204 and not body, "OPTIONS is 204")
            self._expect(set(re.split(r", *", dict(headers)["Allow"])) == allowed, "Allow is what the contract has")
            return
        elif asked not in operations:
            place = ("components", "responses", "MethodNotAllowed")
            self._expect(status == 405, "a method that is not described is 405")
        else:
            self._expect(str(status) in operations[asked]["responses"], f"{asked} {template} has no status {status}")
            place = ("paths", template, asked, "responses", str(status))
            content = operations[asked].get("requestBody", {}).get("content", {})
            if 200 <= status < 300 and content:
                self._expect(taken in content, f"{asked} {template} takes no {taken}")
                if taken.endswith("json") and not taken.endswith("ndjson") and sent:
                    media = ("requestBody", "content", taken, "schema")
                    self.validate(json.loads(sent), "paths", template, asked, *media)
        self._response(place, dict(headers), body, is_head=method == "HEAD")

    def _response(self, place: tuple[str, ...], headers: Mapping[str, str], body: bytes, is_head: bool) -> None:
        place, described = self._at(place)
        declared = described.get("headers", {})
        names = {name.lower() for name in headers}
        for name in declared:
            header_place, header = self._at((*place, "headers", name))
            if name.lower() in names:
                self.validate(headers[name], *header_place, "schema")
            else:
                self._expect(not header.get("required"), f"{place}: header {name} is missing")
        beyond = names - {name.lower() for name in declared} - _OF_HTTP
        self._expect(not beyond, f"{place}: headers that are not described: {beyond}")
        content = described.get("content", {})
        if not content:
            self._expect(not body and "content-type" not in names, f"{place}: there is no body")
            return
        media_type = headers["Content-Type"].partition(";")[0]
        self._expect(media_type in content, f"{place}: media type {media_type}")
        if is_head:
            self._expect(not body, "HEAD has no body")
        else:
            if media_type == "application/x-ndjson":
                for line in body.splitlines():
                    self.validate(json.loads(line), "components", "schemas", "BatchLine")
            is_json = media_type.endswith("json") and media_type != "application/x-ndjson"
            is_yaml = media_type == "application/yaml"
            value = json.loads(body) if is_json else yaml.safe_load(body) if is_yaml else body.decode()
            self.validate(value, *place, "content", media_type, "schema")

    def _at(self, place: tuple[str, ...]) -> tuple[tuple[str, ...], dict[str, Any]]:
        node: Any = self.document
        for step in place:
            node = node[step]
        if "$ref" in node:
            return self._at(tuple(node["$ref"].removeprefix("#/").split("/")))
        return place, node

    @staticmethod
    def _expect(holds: bool, text: str) -> None:
        if not holds:
            raise NotInContract(text)


class Answer:
    """What came back, already checked."""

    def __init__(self, status: int, headers: Mapping[str, str], body: bytes) -> None:
        self.status = status
        self.headers = headers
        self.body = body

    @property
    def json(self) -> Any:
        return json.loads(self.body)


class Client:
    """Calls an application in this process; every call is held against the contract."""

    def __init__(self, app: Flask, contract: Contract) -> None:
        self._client = app.test_client()
        self._contract = contract

    def call(
        self, method: str, path: str, body: bytes = b"", headers: Mapping[str, str] | None = None, query: str = ""
    ) -> Answer:
        """One request; the body goes as it is."""
        with self._client.open(
            path, method=method, data=body, headers=dict(headers or {}), query_string=query
        ) as response:
            content = response.get_data()
            taken = next((v for k, v in (headers or {}).items() if k.lower() == "content-type"), "application/json")
            media_type = taken.partition(";")[0].strip().lower()
            self._contract.check(method, path, body, response.status_code, list(response.headers), content, media_type)
            return Answer(response.status_code, dict(response.headers), content)

    def get(self, path: str, headers: Mapping[str, str] | None = None, query: str = "") -> Answer:
        """GET."""
        return self.call("GET", path, headers=headers, query=query)

    def review(self, episode: Any, query: str = "", headers: Mapping[str, str] | None = None) -> Answer:
        """POST an episode (bytes go as they are) to /v1/reviews."""
        body = episode if isinstance(episode, bytes) else json.dumps(episode).encode()
        return self.call("POST", "/v1/reviews", body, {"Content-Type": "application/json", **(headers or {})}, query)
