"""The published schema as a check before reading, for operators who give its directory."""

from __future__ import annotations

import functools
import threading
from pathlib import Path

from lxml import etree

from service.problems import MOST_ERRORS, ProblemItem, Rejected

from .codes import NEMSIS
from .tree import PREFIX

MAIN = "EMSDataSet_v3.xsd"
_OURS = f"{{{NEMSIS}}}"

#: Kind of error of the schema processor -> (code, what the caller reads).
_KINDS = {
    "SCHEMAV_ELEMENT_CONTENT": (
        "xsd-content",
        "An element is missing here, or one stands where the schema has no place for it.",
    ),
    "SCHEMAV_CVC_COMPLEX_TYPE": ("xsd-attribute", "An attribute is missing or has no place here."),
    "SCHEMAV_CVC_ELT": ("xsd-element", "The element or its nil attribute does not fit the schema."),
}
_VALUE = ("xsd-value", "The value does not fit the schema.")


class SchemaError(Exception):
    """The directory holds no schema that can be used."""


@functools.cache
def _names(directory: Path) -> frozenset[str]:
    """Names of elements that the schema declares. Only these are repeated in a location; any other may be a caller's text."""
    names: set[str] = set()
    for path in sorted(directory.glob("*_v3.xsd")):
        for node in etree.parse(str(path), _parser()).iter("{http://www.w3.org/2001/XMLSchema}element"):
            name = node.get("name")
            if name:
                names.add(str(name))
    return frozenset(names)


def _parser() -> etree.XMLParser:
    return etree.XMLParser(resolve_entities=False, no_network=True, load_dtd=False)


@functools.cache
def _document(directory: Path) -> etree._ElementTree:
    path = directory / MAIN
    try:
        return etree.parse(str(path), _parser())
    except (OSError, etree.XMLSyntaxError):
        raise SchemaError(f"{directory.name}: no {MAIN} that can be read") from None


class _PerThread(threading.local):
    """A schema of its own for every thread: a schema keeps the errors of the document that it checked last."""

    def __init__(self) -> None:
        self.schemas: dict[Path, etree.XMLSchema] = {}


_LOCAL = _PerThread()


def load(directory: Path) -> etree.XMLSchema:
    """The schema of a directory, compiled once in each thread. Raises SchemaError."""
    if directory not in _LOCAL.schemas:
        try:
            _LOCAL.schemas[directory] = etree.XMLSchema(_document(directory))
        except etree.XMLSchemaParseError:
            raise SchemaError(f"{directory.name}: {MAIN} is no usable schema") from None
    return _LOCAL.schemas[directory]


def check(root: etree._Element, directory: Path) -> None:
    """Raise Rejected (422 ``not-schema-valid``) with an item for each place that does not fit."""
    schema = load(directory)
    if schema.validate(root):
        return
    names = _names(directory)
    items: dict[tuple[str, str], ProblemItem] = {}
    for error in schema.error_log:
        code, detail = next((found for kind, found in _KINDS.items() if error.type_name.startswith(kind)), _VALUE)
        nodes = root.getroottree().xpath(error.path) if error.path else []
        where = location(nodes[0], names) if nodes else ""
        items.setdefault((where, code), ProblemItem(code, detail, location=where))
        if len(items) > MOST_ERRORS:
            break
    raise Rejected(422, "not-schema-valid", list(items.values()))


def location(node: etree._Element, names: frozenset[str]) -> str:
    """The XPath of an element; ``*`` for a name that is not among ``names``."""
    steps: list[str] = []
    while node is not None:
        parent = node.getparent()
        tag = str(node.tag)
        known = tag.startswith(_OURS) and tag[len(_OURS) :] in names
        step = f"{PREFIX}:{tag[len(_OURS) :]}" if known else "*"
        if parent is not None:
            same = [n for n in parent if not known or n.tag == node.tag]
            if len(same) > 1:
                step += f"[{same.index(node) + 1}]"
        steps.append(step)
        node = parent
    return "/" + "/".join(reversed(steps))
