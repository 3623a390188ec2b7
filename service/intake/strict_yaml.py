"""YAML without surprises.

The usual loader turns ``10:30`` into 630, ``no`` into false and lets the last
of two equal keys win. Here only ``true``, ``false``, ``null``, plain integers
and plain decimals are special; everything else is text. Equal keys, aliases,
merges, custom tags and control characters are refused.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import yaml

_Base: Any = getattr(yaml, "CSafeLoader", yaml.SafeLoader)


#: Line feed and tab are text.
_CONTROL = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f]")


class YamlError(Exception):
    """The text is not strict YAML. The message names file and line; files are the agency's or ours, never a request."""


class _Loader(_Base):  # type: ignore[misc]
    """The parser alone: what a node is made into, ``_Reading`` says."""

    yaml_implicit_resolvers: dict[str, list[tuple[str, re.Pattern[str]]]] = {}


_TAG = "tag:yaml.org,2002:"
_Loader.add_implicit_resolver(f"{_TAG}bool", re.compile(r"^(?:true|false)$"), list("tf"))
_Loader.add_implicit_resolver(f"{_TAG}null", re.compile(r"^null$"), ["n"])
_Loader.add_implicit_resolver(f"{_TAG}int", re.compile(r"^-?(?:0|[1-9][0-9]*)$"), list("-0123456789"))
_Loader.add_implicit_resolver(f"{_TAG}float", re.compile(r"^-?(?:0|[1-9][0-9]*)\.[0-9]+$"), list("-0123456789"))

_SCALARS: dict[str, Callable[[str], Any]] = {
    f"{_TAG}str": str,
    f"{_TAG}bool": {"true": True, "false": False}.__getitem__,
    f"{_TAG}null": lambda _: None,
    f"{_TAG}int": int,
    f"{_TAG}float": float,
}


class _Reading:
    """What one document says."""

    def __init__(self) -> None:
        self._seen: set[int] = set()

    def value(self, node: Any) -> Any:
        """What a node says. Raises MarkedYAMLError for a node that has been met before, and all else that is refused."""
        if id(node) in self._seen:
            raise _refused("aliases are not allowed", node)
        self._seen.add(id(node))
        if isinstance(node, yaml.ScalarNode) and node.tag in _SCALARS:
            try:
                return _SCALARS[node.tag](_text(node))
            except (KeyError, ValueError):  # a tag written beside a text that is none of its kind
                raise _refused(f"not of its tag {node.tag}", node) from None
        if isinstance(node, yaml.SequenceNode) and node.tag == f"{_TAG}seq":
            return [self.value(each) for each in node.value]
        if isinstance(node, yaml.MappingNode) and node.tag == f"{_TAG}map":
            return self._mapping(node)
        raise _refused(f"no constructor for the tag {node.tag}", node)

    def _mapping(self, node: Any) -> dict[str, Any]:
        out: dict[str, Any] = {}
        for key_node, value_node in node.value:
            if not isinstance(key_node, yaml.ScalarNode) or key_node.value == "<<":
                raise _refused("keys are plain text", key_node)
            key = _text(key_node)
            if key in out:
                raise _refused(f"key {key!r} twice", key_node)
            out[key] = self.value(value_node)
        return out


def _text(node: Any) -> str:
    """The text of a scalar, with no control characters, which only an escape can bring in."""
    if _CONTROL.search(node.value):
        raise _refused("control characters are not allowed", node)
    return str(node.value)


def _refused(problem: str, node: Any) -> yaml.MarkedYAMLError:
    return yaml.MarkedYAMLError(problem=problem, problem_mark=node.start_mark)


def loads(text: str, name: str) -> Any:
    """Parse one document. Raises YamlError naming ``name`` and the line."""
    try:
        loader = _Loader(text)
        try:
            node = loader.get_single_node()
        finally:
            loader.dispose()
        return None if node is None else _Reading().value(node)
    except yaml.YAMLError as error:
        mark = getattr(error, "problem_mark", None)
        line = mark.line + 1 if mark else "?"
        raise YamlError(f"{name}:{line}: {getattr(error, 'problem', 'not YAML')}") from None


def load(path: Path) -> Any:
    """Read and parse one file in UTF-8. Raises YamlError."""
    if not path.is_file():
        raise YamlError(f"{path.name}: not there, or no regular file")
    try:
        return loads(path.read_text(encoding="utf-8"), path.name)
    except (OSError, UnicodeDecodeError):
        raise YamlError(f"{path.name}: not readable as text in UTF-8") from None
