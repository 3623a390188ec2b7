"""Elements of a document, each with its location: an XPath 1.0 expression with the prefix ``nem`` for NEMSIS."""

from __future__ import annotations

from collections.abc import Iterator

from lxml import etree

from .codes import DECLINED, NEMSIS, NOT_APPLICABLE, NOT_REPORTING, XSI

#: The prefix of every location.
PREFIX = "nem"
NAMESPACES = {PREFIX: NEMSIS}

_OURS = f"{{{NEMSIS}}}"
_PREFIX_LENGTH = len(_OURS)
_NIL = f"{{{XSI}}}nil"

#: What our own JSON has in place of a value that is absent.
Absence = dict[str, str]
NOT_COLLECTED: Absence = {"absent": "not_collected"}


class El:
    """One element, or one that is not in the document and false, so that every step of a path has an El."""

    __slots__ = ("_at", "_kids", "_place", "name", "node", "parent", "raw", "text")

    def __init__(self, node: etree._Element | None, name: str, parent: El | None, place: int = 0) -> None:
        """``place``: number among the elements of its name, from 1; 0 for the only one. ``node`` None: not in the document."""
        self.node, self.name, self.parent = node, name, parent
        self._place = place
        self._kids: dict[str, list[El]] | None = None
        self._at: str | None = None
        #: The text as charted, "" for nil, and the same without white space around it.
        self.raw = self.text = ""
        if node is not None:
            raw = node.text
            if raw is not None and not (node.keys() and node.get(_NIL) in ("true", "1")):
                self.raw, self.text = raw, raw.strip()

    def __bool__(self) -> bool:
        return self.node is not None

    @property
    def at(self) -> str:
        """The XPath; of an element that is not there that of the nearest element around it."""
        if self._at is None:
            around = self.parent.at if self.parent is not None else ""
            step = f"/{PREFIX}:{self.name}[{self._place}]" if self._place else f"/{PREFIX}:{self.name}"
            self._at = around + step if self else around
        return self._at

    @property
    def around(self) -> El:
        """The element around this one, which is not the root."""
        assert self.parent is not None, "found inside it"
        return self.parent

    def _children(self) -> dict[str, list[El]]:
        if self._kids is None:
            found: dict[str, list[El]] = {}
            for node in self.node if self.node is not None else ():
                tag = node.tag
                if type(tag) is str and tag[:_PREFIX_LENGTH] == _OURS:
                    name = tag[_PREFIX_LENGTH:]
                    same = found.get(name)
                    if same is None:
                        found[name] = [El(node, name, self)]
                    else:
                        same[0]._place = 1
                        same.append(El(node, name, self, len(same) + 1))
            self._kids = found
        return self._kids

    def each(self, *path: str) -> Iterator[El]:
        """All elements at a path of names."""
        found: list[El] = [self]
        for name in path:
            found = [child for el in found for child in el._children().get(name, ())]
        return iter(found)

    def get(self, *path: str) -> El:
        """The first element at a path of names; a false one where there is none."""
        here = self
        for name in path:
            same = here._children().get(name)
            if not same:
                return El(None, path[-1], here)
            here = same[0]
        return here

    def attribute(self, name: str) -> str:
        """An attribute without namespace, "" where it is not there."""
        return "" if self.node is None else str(self.node.get(name, ""))

    @property
    def key(self) -> str | None:
        """The CorrelationID, by which custom elements name it; None where it has none."""
        return self.attribute("CorrelationID") or None

    @property
    def pn(self) -> str:
        """The code of the pertinent negative, beside a value or in place of one; "" where there is none."""
        return self.attribute("PN")

    @property
    def absence(self) -> Absence | None:
        """Why an element has no value: declined or not collected; None where it is missing, or has one.

        Not Recorded is what software writes for a blank field: missing. Not
        Applicable is somebody's statement: declined. Not Reporting means that
        the agency does not collect the element.
        """
        if self.text:
            return None
        if self.pn in DECLINED:
            return {"absent": "declined", "reason": DECLINED[self.pn].word}
        return {NOT_APPLICABLE: {"absent": "declined", "reason": "not_indicated"}, NOT_REPORTING: NOT_COLLECTED}.get(
            self.attribute("NV")
        )
