"""Parts of an EMSDataSet as they are written: elements with a value or a reason for none, numbers, times."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from decimal import Decimal
from typing import Any, TypeAlias

from lxml import etree

from . import codes
from .codes import NEMSIS, XSI

Document = dict[str, Any]
Element: TypeAlias = etree._Element

_NIL = f"{{{XSI}}}nil"


def key_of(path: str, index: int, item: Document) -> str:
    """The CorrelationID of an item: unique in the document, and long enough for the schema."""
    name = path.rpartition("/")[2]
    ident = item.get("id")
    return f"{name}.{ident}" if isinstance(ident, str) else f"{name}-{index + 1}"


def element(name: str, *inside: Element | None, text: str | None = None, **attributes: str) -> Element:
    """An element of the standard. ``inside``: its children; attributes without a value are left out."""
    out = etree.Element(f"{{{NEMSIS}}}{name}", {key: value for key, value in attributes.items() if value})
    out.text = text
    out.extend([child for child in inside if child is not None])
    return out


def blank(name: str, nv: str = codes.NOT_RECORDED, pn: str = "") -> Element:
    """An element without a value, with the NV or PN that says why."""
    out = element(name)
    out.set(_NIL, "true")
    out.set("PN" if pn else "NV", pn or nv)
    return out


def blanks(section: str, numbers: str) -> list[Element]:
    """Several elements of a section, such as ``"01 02"``, Not Recorded."""
    return [blank(f"{section}.{number}") for number in numbers.split()]


def given(name: str, text: str | None) -> Element:
    """An element with a text, Not Recorded for None."""
    return blank(name) if text is None else element(name, text=text)


def when(value: Any) -> str | None:
    """A time as the schema has it: upper case, with a numeric offset, at most microseconds; None for what is no text."""
    if not isinstance(value, str):
        return None
    moment = datetime.fromisoformat(value.upper())
    return moment.isoformat()


def number(value: Any, decimals: int, low: float, high: float, digits: int = 9) -> str | None:
    """A decimal number as text, None where the element cannot hold it exactly."""
    if type(value) not in (int, float) or not low <= value <= high:
        return None
    exact = Decimal(str(value)).normalize()
    text = f"{exact:f}"
    whole, _, rest = text.partition(".")
    return text if len(rest) <= decimals and len((whole + rest).lstrip("0")) <= digits else None


def section(document: Document, name: str) -> Document:
    """A section, or an empty one when it is absent."""
    found = document.get(name)
    return found if isinstance(found, dict) and "absent" not in found and "none" not in found else {}


def items(document: Document, path: str) -> list[Document]:
    """The items of a list, none when it is absent."""
    found: Any = document
    for step in path.split("/")[1:]:
        found = found.get(step) if isinstance(found, dict) else None
    return found if isinstance(found, list) else []


def times(value: Any) -> Iterator[datetime]:
    """Every time in a JSON value of an episode."""
    if isinstance(value, dict):
        for name, inner in value.items():
            if name not in ("narrative", "extensions", "words"):
                yield from times(inner)
    elif isinstance(value, list):
        for inner in value:
            yield from times(inner)
    elif isinstance(value, str) and len(value) >= 20 and value[4:5] == "-":
        try:
            found = datetime.fromisoformat(value.upper())
        except ValueError:
            return
        if found.tzinfo is not None:
            yield found


def xml_holds(text: str) -> bool:
    """Whether XML 1.0 can hold a text."""
    return all(c in "\t\n\r" or "\x20" <= c <= "\ud7ff" or "\ue000" <= c <= "\ufffd" or c >= "\U00010000" for c in text)
