"""The shape of the rulebook's files beside its rules, so that one of another shape gets a clear line."""

from __future__ import annotations

from pathlib import Path
from typing import Any, NotRequired, TypedDict

import msgspec

from service.intake import strict_yaml

from .rule_file import Slip


class _Source(TypedDict):
    title: str
    publisher: str
    edition: str
    note: NotRequired[str]


class _Statement(TypedDict):
    says: str
    source: str
    confidence: str


class _MoreSources(TypedDict):
    sources: NotRequired[dict[str, _Source]]
    facts: NotRequired[dict[str, _Statement]]


class _Sources(TypedDict):
    sources: dict[str, _Source]
    facts: dict[str, _Statement]


class _Attribute(TypedDict):
    type: str
    label: str
    unit: NotRequired[str]
    words: NotRequired[list[str]]
    words_of: NotRequired[str]
    from_record: NotRequired[bool]


class _Kind(TypedDict):
    doc: str
    when_none: str
    drawn_from: str
    danger: NotRequired[str]
    members_of: NotRequired[list[str]]
    sections: NotRequired[bool]
    shared_at: NotRequired[bool]
    derived: NotRequired[dict[str, _Attribute]]


class _Unit(TypedDict):
    attribute: str
    factor: int


class _Vocabulary(TypedDict):
    phases: list[str]
    categories: list[str]
    severities: list[str]
    concerns: list[str]
    handlers: list[str]
    dues: list[str]
    confidence: list[str]
    units: dict[str, _Unit]
    shared: dict[str, _Attribute]
    kinds: dict[str, _Kind]


class _Ruleset(TypedDict):
    name: str
    version: str
    shared: NotRequired[dict[str, dict[str, Any]]]


class _Redirects(TypedDict):
    redirects: dict[str, str]


class _Profile(TypedDict):
    profile: str
    version: int
    title: str
    edition: NotRequired[str]
    reviewed: NotRequired[str]
    notes: NotRequired[list[str]]
    parameters: NotRequired[dict[str, Any]]
    shared: NotRequired[dict[str, Any]]
    severities: NotRequired[dict[str, Any]]
    measures: NotRequired[dict[str, Any]]
    off: NotRequired[list[dict[str, Any]]]


#: Every part that a profile may have.
PROFILE_PARTS = tuple(_Profile.__annotations__)

_SHAPES: dict[str, Any] = {
    "vocabulary": _Vocabulary,
    "inputs": dict[str, dict[str, list[str]]],
    "sources": _Sources,
    "ruleset": _Ruleset,
    "redirects": _Redirects,
}
#: The library's words -> those of YAML.
_WORDS = {
    "`object`": "a mapping",
    "Object": "a mapping",
    "`array`": "a list",
    "`str`": "text",
    "`null`": "nothing",
    "$": "",
}


def read(directory: Path, name: str) -> Any:
    """What ``name``.yaml of the directory of rules holds. Raises Slip."""
    return _read(directory / f"{name}.yaml", _SHAPES[name])


def read_more_sources(directory: Path) -> Any:
    """What ``sources.yaml`` of an agency's directory holds, an empty mapping without one. Raises Slip."""
    path = directory / "sources.yaml"
    return _read(path, _MoreSources) if path.exists() else {}


def read_profile(path: Path) -> Any:
    """What the file of a profile holds, without the parts that stand empty. Raises Slip."""
    return _read(path, _Profile, without_empty=True)


def _read(path: Path, shape: Any, *, without_empty: bool = False) -> Any:
    try:
        data = strict_yaml.load(path)
        if without_empty and isinstance(data, dict):
            data = {part: value for part, value in data.items() if value not in (None, "")}
        msgspec.convert(data, shape)
    except strict_yaml.YamlError as error:
        raise Slip(str(error)) from None
    except msgspec.ValidationError as error:
        text = str(error)
        for word, said in _WORDS.items():
            text = text.replace(word, said)
        raise Slip(f"{path.name}: {text}") from None
    return data
