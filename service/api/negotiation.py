"""Which media type comes in and which goes out (RFC 9110, sections 8.3, 8.4 and 12.5.1)."""

from __future__ import annotations

import re
from collections.abc import Mapping

from flask import Request
from werkzeug.http import parse_list_header, parse_options_header

from service.problems import ProblemItem

from .problems import Refusal

#: Values of the parameter ``fhirVersion`` that are read: R4, and R4B, which is the same for every resource read here.
_FHIR_VERSIONS = ("4.0", "4.0.1", "4.3", "4.3.0")
_QUALITY = re.compile(r"(?:0(?:\.[0-9]{0,3})?|1(?:\.0{0,3})?)")
_RANGE = re.compile(r"(?:\*/\*|[!#$%&'*+.^_`|~0-9A-Za-z-]+/[!#$%&'*+.^_`|~0-9A-Za-z-]+)")


def taken(request: Request, *offered: str) -> str:
    """The media type of the body, one of ``offered``; Refusal 415 for another, and for a compressed body."""
    name, options = parse_options_header(request.headers.get("Content-Type"))
    media_type = name.lower()
    charset = options.get("charset", "utf-8")
    if media_type not in offered or charset.lower() not in ("utf-8", "utf8"):
        taken_here = ", ".join(offered)
        item = ProblemItem("unsupported-media-type", f"Taken here, in UTF-8: {taken_here}.")
        raise Refusal("unsupported-media-type", [item], headers={"Accept": taken_here})
    if not _is_read_fhir(options):
        raise Refusal("unsupported-version")
    coding = request.headers.get("Content-Encoding", "identity").strip().lower()
    if coding not in ("", "identity"):
        raise Refusal("unsupported-content-coding", headers={"Accept-Encoding": "identity"})
    return media_type


def given(request: Request, *offered: str) -> str:
    """The media type of the answer: the best of ``offered``, the first of equals; Refusal 406 when none will do."""
    header = ",".join(request.headers.getlist("Accept"))
    if not header.strip():
        return offered[0]
    ranges = _ranges(header)
    quality, best = max(((_quality(ranges, offer), -place) for place, offer in enumerate(offered)))
    if quality <= 0:
        raise Refusal("not-acceptable", [ProblemItem("not-acceptable", f"Offered here: {', '.join(offered)}.")])
    return offered[-best]


def _ranges(header: str) -> dict[str, float]:
    """Media range -> quality. What is not a media range, or asks for another FHIR, counts for nothing."""
    found: dict[str, float] = {}
    for element in parse_list_header(header):
        name, options = parse_options_header(element)
        quality = options.get("q", "1")
        if _RANGE.fullmatch(name) and _QUALITY.fullmatch(quality) and _is_read_fhir(options):
            found[name.lower()] = max(float(quality), found.get(name.lower(), 0.0))
    return found


def _is_read_fhir(options: Mapping[str, str]) -> bool:
    return options.get("fhirVersion", options.get("fhirversion", "4.0")) in _FHIR_VERSIONS


def _quality(ranges: dict[str, float], offer: str) -> float:
    """The quality of the most specific range that matches, 0 when none does."""
    for name in (offer, offer.partition("/")[0] + "/*", "*/*"):
        if name in ranges:
            return ranges[name]
    return 0.0
