"""The exemplary record with one member of the model taken away everywhere."""

from __future__ import annotations

from typing import Any

from tests.support.episodes import Document, exemplary, places

#: Every path of the model that may be listed as not collected.
OPTIONAL_PATHS = tuple(path for _, path, member in places() if not member.required)


def _everywhere(node: Any, steps: list[str], value: Document | None) -> None:
    if isinstance(node, list):
        for item in node:
            _everywhere(item, steps[1:], value)
    elif isinstance(node, dict) and steps[0] in node and "absent" not in node:
        if len(steps) > 1:
            _everywhere(node[steps[0]], steps[1:], value)
        elif value is None:
            del node[steps[0]]
        else:
            node[steps[0]] = value


def left_out(path: str) -> Document:
    """The member is nowhere in the record."""
    document = exemplary()
    _everywhere(document, path.split("/")[1:], None)
    return document


def not_collected(path: str) -> Document:
    """The sender's system has no place for the member."""
    return left_out(path) | {"not_collected": [path]}


def declined(path: str) -> Document:
    """The member could not be had, wherever the record has it."""
    document = exemplary()
    _everywhere(document, path.split("/")[1:], {"absent": "declined", "reason": "unable_to_obtain"})
    return document
