"""Bytes -> XML, for bytes that somebody may have made to do harm.

No document type, no entity, no network, no file; size, markup and depth are
bounded. Every refusal has a code of its own and quotes nothing of what was sent.
"""

from __future__ import annotations

import re

from lxml import etree

from service.problems import ProblemItem, Rejected

from .codes import NEMSIS, XSI

MOST_BYTES = 16 * 1024 * 1024
#: Tags and attributes cost far more memory than text. A chart of 35 kB has about 2,000 of these signs.
MOST_MARKUP = 600_000
#: No element of the standard lies deeper than this.
DEEPEST = 32

#: code -> what the caller reads; all 400 but ``not-nemsis`` and ``unsupported-version`` (422).
PROBLEMS = {
    "not-xml": "The body is not well-formed XML.",
    "xml-not-utf-8": "The body is not UTF-8, or says that it is something else.",
    "xml-document-type": "The body has a document type or an entity declaration; NEMSIS has none.",
    "xml-too-large": "The body is larger than this service reads.",
    "xml-too-deep": "The elements nest deeper than in any chart.",
    "unsupported-version": "The document says that it is of a version other than 3.5.",
    "not-nemsis": "The body is XML, but no EMSDataSet of NEMSIS version 3.",
}

_ENCODING = re.compile(rb"""<\?xml[^>]{0,200}?\sencoding\s*=\s*["']([A-Za-z0-9._-]{1,40})["']""")
#: The release in ``xsi:schemaLocation``: the only place where a document says which version it is of.
_RELEASE = re.compile(r"nemsis_v3/(\d+\.\d+)\.")
_LOCATION = f"{{{XSI}}}schemaLocation"
_VERSION = "3.5"
_SPACE = re.compile(rb"[\x20\t\r\n]*")


def _prolog_has_doctype(body: bytes, at: int) -> bool:
    """Whether there is a document type before the root; comments and processing instructions before it are skipped."""
    while True:
        at = _SPACE.match(body, at).end()  # type: ignore[union-attr]
        if body.startswith(b"<!DOCTYPE", at):
            return True
        ends = (b"-->", 4) if body.startswith(b"<!--", at) else (b"?>", 2) if body.startswith(b"<?", at) else None
        if ends is None:
            return False
        end = body.find(ends[0], at + ends[1])
        if end < 0:
            return False
        at = end + len(ends[0])


_TOO_DEEP = etree.XPath("boolean(" + "/*" * (DEEPEST + 1) + ")")


def parse(body: bytes) -> etree._Element:
    """The root of an EMSDataSet. Raises Rejected with a code of ``PROBLEMS``."""
    if len(body) > MOST_BYTES or body.count(b"<") + body.count(b"=") > MOST_MARKUP:
        raise Rejected(400, "xml-too-large")
    try:
        body.decode("utf-8")
    except UnicodeDecodeError:
        raise Rejected(400, "xml-not-utf-8") from None
    start = 3 if body.startswith(b"\xef\xbb\xbf") else 0
    declared = _ENCODING.match(body, start)
    if declared and declared.group(1).lower() not in (b"utf-8", b"us-ascii"):
        raise Rejected(400, "xml-not-utf-8")
    if _prolog_has_doctype(body, start):
        raise Rejected(400, "xml-document-type")
    parser = etree.XMLParser(
        encoding="utf-8",
        resolve_entities=False,
        no_network=True,
        load_dtd=False,
        dtd_validation=False,
        huge_tree=False,
        remove_comments=True,
        remove_pis=True,
    )
    try:
        root = etree.fromstring(body, parser)
    except etree.XMLSyntaxError as error:
        # The parser's own limits: 256 levels, 10 MB of text in one place.
        if error.code != etree.ErrorTypes.ERR_RESOURCE_LIMIT:
            row, column = error.position
            place = f"{PROBLEMS['not-xml']} Line {row}, column {column}."
            raise Rejected(400, "not-xml", [ProblemItem("not-xml", place)]) from None
        raise Rejected(400, "xml-too-deep" if "depth" in str(error) else "xml-too-large") from None
    docinfo = root.getroottree().docinfo
    if docinfo.doctype or docinfo.internalDTD is not None:
        raise Rejected(400, "xml-document-type")
    if _TOO_DEEP(root):
        raise Rejected(400, "xml-too-deep")
    if root.tag != f"{{{NEMSIS}}}EMSDataSet":
        raise Rejected(422, "not-nemsis")
    release = _RELEASE.search(root.get(_LOCATION) or "")
    if release is not None and release.group(1) != _VERSION:
        raise Rejected(422, "unsupported-version")
    return root
