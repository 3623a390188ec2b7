"""The formats that are read: their names, their media types, and telling a document's format by its content."""

from __future__ import annotations

from typing import Any

import orjson

JSON, FHIR, NEMSIS = "application/json", "application/fhir+json", "application/xml"

#: Name on a command line -> media type.
FORMATS = {"json": JSON, "fhir": FHIR, "nemsis": NEMSIS}
#: Media type -> name for people.
NAMES = {JSON: "JSON episode", FHIR: "FHIR R4 Bundle", NEMSIS: "NEMSIS 3.5 EMSDataSet"}

_BLANK = b" \t\r\n"


def media_type_of(document: bytes) -> str:
    """The media type of a document: XML begins with ``<``, a FHIR resource has a ``resourceType``, all else is our JSON.

    It only chooses the reader, which then says whether the document can be read.
    """
    start = document.removeprefix(b"\xef\xbb\xbf")[:64].lstrip(_BLANK)
    if start.startswith(b"<"):
        return NEMSIS
    # The search is fast, and an episode of ours does not have the word.
    return FHIR if b'"resourceType"' in document and _is_resource(document) else JSON


def _is_resource(document: bytes) -> bool:
    try:
        value: Any = orjson.loads(document)
    except orjson.JSONDecodeError:
        return False
    return type(value) is dict and "resourceType" in value
