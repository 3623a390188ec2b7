"""YAML without surprises.

The usual loader turns ``10:30`` into 630, ``no`` into false and lets the last
of two equal keys win. Here only ``true``, ``false``, ``null``, plain integers
and plain decimals are special; everything else is text. Equal keys, aliases,
merges, custom tags and control characters are refused.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import yaml

_Base: Any = getattr(yaml, "CSafeLoader", yaml.SafeLoader)


#: Line feed and tab are text.
_CONTROL = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f]")


class YamlError(Exception):
    """The text is not strict YAML. The message names file and line; files are the agency's or ours, never a request."""


class _StrictLoader(_Base):  # type: ignore[misc]
    yaml_implicit_resolvers: dict[str, list[tuple[str, re.Pattern[str]]]] = {}

    def __init__(self, stream: Any) -> None:
        super().__init__(stream)
        self._seen: set[int] = set()

    def construct_object(self, node: Any, deep: bool = False) -> Any:
        """Refuse aliases: a node that has been met before."""
        if id(node) in self._seen:
            raise yaml.constructor.ConstructorError(None, None, "aliases are not allowed", node.start_mark)
        self._seen.add(id(node))
        return super().construct_object(node, deep)

    def construct_scalar(self, node: Any) -> Any:
        """Refuse control characters, which only an escape can bring in."""
        if isinstance(node.value, str) and _CONTROL.search(node.value):
            raise yaml.constructor.ConstructorError(None, None, "control characters are not allowed", node.start_mark)
        return super().construct_scalar(node)

    def construct_mapping(self, node: Any, deep: bool = False) -> dict[Any, Any]:
        """Refuse equal keys and merge keys."""
        keys: set[str] = set()
        for key_node, _ in node.value:
            key = self.construct_scalar(key_node) if isinstance(key_node.value, str) else key_node.value
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
    if not path.is_file():
        raise YamlError(f"{path.name}: not there, or no regular file")
    try:
        return loads(path.read_text(encoding="utf-8"), path.name)
    except (OSError, UnicodeDecodeError):
        raise YamlError(f"{path.name}: not readable as text in UTF-8") from None
