"""What a file looks like that could not be read as a chart, and which command takes it. For people at a command line."""

from __future__ import annotations

import re
from typing import Any

import orjson

from .media_types import FHIR

#: First bytes of a file -> what it is.
_MAGIC = {
    b"\x89PNG": "a picture",
    b"\xff\xd8\xff": "a picture",
    b"GIF8": "a picture",
    b"%PDF": "a PDF document",
    b"PK\x03\x04": "a ZIP archive or an office document",
    b"\x1f\x8b": "a compressed file",
}
_BATCH = "restraint-review batch --output FOLDER takes it"
_PROFILE = re.compile(rb"^profile:", re.MULTILINE)
_RULE = re.compile(rb"^id:.*\n(?:.*\n)*?severity:", re.MULTILINE)


def looks_like(body: bytes, read_as: str) -> str | None:
    """A sentence about the file with nothing of its content, None where it may well be one chart.

    ``read_as``: the media type under which it was refused.
    """
    start = body.removeprefix(b"\xef\xbb\xbf").lstrip()[:5]
    if not start:
        return "The file is empty."
    for magic, what in _MAGIC.items():
        if body.startswith(magic):
            return f"This looks like {what}. Export the chart as JSON, FHIR or NEMSIS; no command takes this."
    if start.startswith(b"<"):
        return None
    value = _parsed(body)
    if value is None:
        return _of_text(body)
    if isinstance(value, list):
        return f"This looks like a list of charts. Write one chart a line (NDJSON); {_BATCH}."
    return _of_object(value, read_as)


def _of_text(body: bytes) -> str | None:
    lines = [line for line in body.splitlines()[:3] if line.strip()]
    if len(lines) > 1 and all(isinstance(_parsed(line), dict) for line in lines[:2]):
        return f"This looks like NDJSON, one chart a line. {_BATCH}."
    head = body[:4000]
    if _PROFILE.search(head):
        return (
            "This looks like a profile. Put it into a folder profiles, name the folder around that in "
            "RESTRAINT_REVIEW_EXTRA_RULES_DIR, and give its id as --profile."
        )
    if _RULE.search(head):
        return "This looks like a rule. restraint-review rules test takes the folder that it stands in."
    if b"{" not in head and b"," in head.split(b"\n")[0]:
        return "This looks like a table. Export the charts as JSON, FHIR or NEMSIS; no command takes this."
    return None


def _of_object(value: Any, read_as: str) -> str | None:
    if not isinstance(value, dict):
        return None
    kind = value.get("resourceType")
    if kind == "Bundle":
        return (
            None if read_as == FHIR else "This looks like a FHIR Bundle. restraint-review check --format fhir takes it."
        )
    if kind is not None:
        return "This looks like a FHIR resource. Put it into a Bundle with the rest of its chart."
    if {"findings", "summary"} <= value.keys() or {"line", "status"} <= value.keys():
        return "This looks like an answer of this service. Give the chart that it is about."
    if "hook" in value and "hookInstance" in value:
        return "This looks like a request of CDS Hooks. Send it to /cds-services of the server."
    if "openapi" in value or "$schema" in value:
        return "This looks like a schema, not a chart."
    return None


def _parsed(text: bytes) -> Any:
    try:
        return orjson.loads(text)
    except orjson.JSONDecodeError:
        return None
