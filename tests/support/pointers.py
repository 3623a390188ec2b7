"""RFC 6901 pointers, written again for the tests (sections 3 and 4 of the RFC), and paths by item id."""

from __future__ import annotations

from typing import Any


def resolve(document: Any, pointer: str) -> Any:
    """The value a pointer names; LookupError when it names nothing."""
    if pointer == "":
        return document
    if not pointer.startswith("/"):
        raise LookupError(pointer)
    for token in pointer.split("/")[1:]:
        name = token.replace("~1", "/").replace("~0", "~")
        if isinstance(document, dict):
            document = document[name]
        elif isinstance(document, list):
            if not (name == "0" or (name.isdigit() and name[0] != "0")):
                raise LookupError(pointer)
            document = document[int(name)]
        else:
            raise LookupError(pointer)
    return document


def by_ids(document: Any, pointer: str) -> tuple[str | None, ...]:
    """The path with an item's id in place of its index; None where an item has no id."""
    out: list[str | None] = []
    at = document
    for token in pointer.split("/")[1:]:
        if isinstance(at, list):
            at = at[int(token)]
            out.append(at.get("id"))
        else:
            at = at[token]
            out.append(token)
    return tuple(out)
