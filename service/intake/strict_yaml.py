"""YAML without surprises.

The usual loader turns ``10:30`` into 630, ``no`` into false and lets the last
of two equal keys win. Here only ``true``, ``false``, ``null``, plain integers
and plain decimals are special; everything else is text. Equal keys, anchors,
merges and custom tags are refused.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import yaml

_Base: Any = getattr(yaml, "CSafeLoader", yaml.SafeLoader)


class YamlError(Exception):
    """The text is not strict YAML. The message names file and line; files are the agency's or ours, never a request."""


class _StrictLoader(_Base):  # type: ignore[misc]
    yaml_implicit_resolvers: dict[str, list[tuple[str, re.Pattern[str]]]] = {}

    def __init__(self, stream: Any) -> None:
        super().__init__(stream)
        self._seen: set[int] = set()

    def construct_mapping(self, node: Any, deep: bool = False) -> dict[Any, Any]:
        """Refuse equal keys, merge keys and aliases."""
        if id(node) in self._seen:
            raise yaml.constructor.ConstructorError(None, None, "anchors are not allowed", node.start_mark)
        self._seen.add(id(node))
        keys: set[str] = set()
        for key_node, _ in node.value:
            key = key_node.value
            if not isinstance(key, str) or key == "<<":
                raise yaml.constructor.ConstructorError(None, None, "keys are plain text", key_node.start_mark)
            if key in keys:
                raise yaml.constructor.ConstructorError(None, None, f"key {key!r} twice", key_node.start_mark)
            keys.add(key)
        return {str(k.value): self.construct_object(v, deep=True) for k, v in node.value}


_StrictLoader.add_implicit_resolver("tag:yaml.org,2002:bool", re.compile(r"^(?:true|false)$"), list("tf"))
_StrictLoader.add_implicit_resolver("tag:yaml.org,2002:null", re.compile(r"^null$"), ["n"])
_StrictLoader.add_implicit_resolver("tag:yaml.org,2002:int", re.compile(r"^-?(?:0|[1-9][0-9]*)$"), list("-0123456789"))
_StrictLoader.add_implicit_resolver(
    "tag:yaml.org,2002:float", re.compile(r"^-?(?:0|[1-9][0-9]*)\.[0-9]+$"), list("-0123456789")
)
_StrictLoader.add_constructor("tag:yaml.org,2002:map", lambda loader, node: loader.construct_mapping(node, deep=True))


def loads(text: str, name: str) -> Any:
    """Parse one document. Raises YamlError naming ``name`` and the line."""
    try:
        return yaml.load(text, Loader=_StrictLoader)  # a SafeLoader, made stricter
    except yaml.YAMLError as error:
        mark = getattr(error, "problem_mark", None)
        line = mark.line + 1 if mark else "?"
        raise YamlError(f"{name}:{line}: {getattr(error, 'problem', 'not YAML')}") from None


def load(path: Path) -> Any:
    """Read and parse one file in UTF-8. Raises YamlError."""
    try:
        return loads(path.read_text(encoding="utf-8"), path.name)
    except (OSError, UnicodeDecodeError) as error:
        raise YamlError(f"{path.name}: {type(error).__name__}") from None
