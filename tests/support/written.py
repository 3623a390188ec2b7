"""Documents that a command writes, whole or between two marks."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from pathlib import Path


def between(text: str, name: str) -> str:
    """What stands between the marks ``<!-- name -->`` and ``<!-- /name -->``. Raises ValueError unless both are there once, in order."""
    return _cut(text, name)[1].strip("\n")


def put(text: str, name: str, block: str) -> str:
    """The text with the block between its marks. Raises as ``between``."""
    before, _, after = _cut(text, name)
    return f"{before}\n{block.strip()}\n{after}"


def _cut(text: str, name: str) -> tuple[str, str, str]:
    begin, end = f"<!-- {name} -->", f"<!-- /{name} -->"
    before, found, rest = text.partition(begin)
    inner, ended, after = rest.partition(end)
    if not found or not ended or end in before or begin in rest or end in after:
        raise ValueError(f"{begin} and {end} are not there once each, in order")
    return before + begin, inner, end + after


def write_or_compare(documents: Mapping[Path, str], *, write: bool) -> int:
    """Write the documents, or say which are not as they would be written; the exit status."""
    status = 0
    for path, text in documents.items():
        name = f"{path.parent.name}/{path.name}"
        if write:
            path.write_text(text, encoding="utf-8")
            print(f"{name}: written")
        elif path.exists() and path.read_text(encoding="utf-8") == text:
            print(f"{name}: as it would be written")
        else:
            print(f"{name}: differs; --write writes it", file=sys.stderr)
            status = 1
    return status
