"""An episode of ours as a NEMSIS v3.5.1 EMSDataSet with custom elements, for worked fixtures.

What the standard's own elements can say stands there; whatever would not be
read back from them exactly stands in custom elements of the ``RR`` mapping
beside them. ``accepted`` and ``extensions`` have no place and are left out.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from lxml import etree

from service.episode import declaration, record
from service.episode.pointers import member_paths
from service.formats.values import same

from . import codes
from .chart import Chart
from .codes import NEMSIS, XSI
from .custom import EMPTY, NONE, RECORDED
from .mapping import NOT_COLLECTED_PATH
from .parts import blank, element, key_of, xml_holds
from .read import read_core
from .standard_elements import Report
from .tree import El

_DATE_TIME, _NUMBER, _TEXT, _BOOLEAN = "9902003", "9902005", "9902009", "9902011"


@dataclass(frozen=True, slots=True)
class Written:
    """``document``: XML in UTF-8. ``left_out``: JSON Pointers of texts that XML 1.0 cannot hold."""

    document: bytes
    left_out: tuple[str, ...]


@dataclass(slots=True)
class _Result:
    path: str
    key: str | None
    values: list[Any] = field(default_factory=list)
    #: No element of the standard has this key, so the result has it as its own CorrelationID.
    own: bool = False


def custom_id(path: str) -> str:
    """The CustomElementID of a member path: ``/a/b/*/c`` -> ``RR.a.b.c``."""
    return "RR" + path.replace("/*", "").replace("/", ".")


def title(path: str) -> str:
    """The title of a member path in words; no two paths have the same."""
    return "Restraint record: " + ", ".join(step.replace("_", " ") for step in path.split("/")[1:] if step != "*")


_KINDS: dict[str, declaration.Kind] = {path: member.kind for path, member in member_paths()} | {
    NOT_COLLECTED_PATH: declaration.Text("Paths of members the sender's system has no place for.")
}


def full_mapping() -> str:
    """The mapping file that goes with this writer: one custom element for every member."""
    head = (
        "# One custom element for every member of an episode; written by service.formats.nemsis.write.full_mapping,\n"
        "# and a test keeps the two alike. An item of a list is a group: its results name one CorrelationID.\n"
        "id: every-member\n"
        "title: Every member of an episode as a custom element\n"
        "source: this service; define the elements you use so in eCustomConfiguration\n"
        "match: id-and-title\n"
        "elements:\n"
    )
    return head + "".join(f'  - {{id: {custom_id(path)}, title: "{title(path)}", into: "{path}"}}\n' for path in _KINDS)


def write(episode: dict[str, Any]) -> Written:
    """The document of an episode, which is a JSON value that the reader of our own JSON accepts."""
    report = Report(episode)
    pcr = report.build()
    other = report.other()
    if other is not None:
        pcr.append(other)
    writer = _Writer(episode, pcr)
    found = writer.results()
    place = len(pcr) - (other is not None)
    pcr.insert(place, element("eCustomResults", *(_result(r) for r in found)))
    header = element(
        "Header",
        element(
            "DemographicGroup",
            *(element(f"dAgency.{n}", text=text) for n, text in (("01", "0000"), ("02", "0000"), ("04", "00"))),
        ),
        element("eCustomConfiguration", *(_definition(path) for path in dict.fromkeys(r.path for r in found))),
        pcr,
    )
    root = etree.Element(f"{{{NEMSIS}}}EMSDataSet", nsmap={None: NEMSIS, "xsi": XSI})
    root.append(header)
    etree.cleanup_namespaces(root, keep_ns_prefixes=["xsi"])
    return Written(etree.tostring(root, xml_declaration=True, encoding="UTF-8"), tuple(writer.left_out))


class _Writer:
    """Makes custom results for what is not read back from the standard's own elements."""

    def __init__(self, episode: dict[str, Any], pcr: etree._Element) -> None:
        self._episode = episode
        self._keys = {str(k) for node in pcr.iter() if (k := node.get("CorrelationID"))}
        self._said: Chart = read_core(El(pcr, "PatientCareReport", None), {*self._keys})
        self._found: list[_Result] = []
        self.left_out: list[str] = []

    def results(self) -> list[_Result]:
        """The custom results, in the order of the members."""
        paths = self._episode.get("not_collected") or [NONE]
        self._found.append(_Result(NOT_COLLECTED_PATH, None, list(paths)))
        self._object(record.Episode, self._episode, "", "")
        return self._found

    def _object(self, cls: type, data: dict[str, Any], path: str, pointer: str) -> None:
        spot = self._said.objects.get(path)
        said = spot.data if spot else {}
        for member in declaration.members(cls):
            here, at = f"{path}/{member.name}", f"{pointer}/{member.name}"
            value = data.get(member.name)
            if isinstance(member.kind, declaration.Items) and isinstance(value, list) and value:
                self._items(member.kind.of, value, here, at)
            elif isinstance(member.kind, declaration.Items):
                self._leaf(cls, member, value, said.get(member.name), here, None, at)
                if value is None and here in self._said.lists:
                    self._add(here, None, [None])
            elif (
                isinstance(member.kind, declaration.Part)
                and isinstance(value, dict)
                and not {"absent", "none"} & set(value)
            ):
                self._object(member.kind.of, value, here, at)
                if not value:
                    self._add(here, None, [RECORDED])
            elif isinstance(member.kind, declaration.Part) and value is None:
                if self._says_something(here):
                    self._add(here, None, [None])
            else:
                self._leaf(cls, member, value, said.get(member.name), here, None, at)

    def _says_something(self, path: str) -> bool:
        return any(
            spot.data for where, spot in self._said.objects.items() if where == path or where.startswith(f"{path}/")
        ) or any(where.startswith(f"{path}/") for where in self._said.lists)

    def _items(self, cls: type, value: list[dict[str, Any]], path: str, pointer: str) -> None:
        for place, item in enumerate(value):
            key, at = key_of(path, place, item), f"{pointer}/{place}"
            spots = self._said.by_key.get((path, key), [])
            said = spots[0].data if spots else {}
            # The first result of an item gives the list its order, and has the key if no element of the standard does.
            self._found.append(_Result(f"{path}/*/id", key, [item.get("id")], key not in self._keys))
            for member in declaration.members(cls):
                if member.name != "id":
                    self._leaf(
                        cls,
                        member,
                        item.get(member.name),
                        said.get(member.name),
                        f"{path}/*/{member.name}",
                        key,
                        f"{at}/{member.name}",
                    )

    def _leaf(
        self, cls: type, member: declaration.Member, value: Any, said: Any, path: str, key: str | None, pointer: str
    ) -> None:
        if value is None:
            if said is not None:
                self._add(path, key, [None])
            return
        if said is not None and same(cls, member.name, value, said):
            return
        if isinstance(value, dict) and value.get("none") is True:
            self._add(path, key, [NONE])
        elif isinstance(value, dict):
            self._add(path, key, [value])
        elif isinstance(value, list):
            self._add(path, key, value or [NONE])
        elif isinstance(value, str) and not xml_holds(value):
            self.left_out.append(pointer)
        else:
            self._add(path, key, [EMPTY if value == "" else value])

    def _add(self, path: str, key: str | None, values: list[Any]) -> None:
        self._found.append(_Result(path, key, values))


def _text(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    return str(value)


def _value(value: Any) -> etree._Element:
    if value is None:
        return blank("eCustomResults.01")
    if isinstance(value, dict):
        if value["absent"] == "not_collected":
            return blank("eCustomResults.01", codes.NOT_REPORTING)
        return element("eCustomResults.01", text=f"state.declined.{value['reason']}")
    return element("eCustomResults.01", text=_text(value))


def _result(result: _Result) -> etree._Element:
    return element(
        "eCustomResults.ResultsGroup",
        *(_value(value) for value in result.values),
        element("eCustomResults.02", text=custom_id(result.path)),
        element("eCustomResults.03", text=result.key) if result.key and not result.own else None,
        CorrelationID=result.key if result.key and result.own else "",
    )


def _definition(path: str) -> etree._Element:
    kind = _KINDS[path]
    of = _DATE_TIME if isinstance(kind, declaration.Time) else _BOOLEAN if isinstance(kind, declaration.Flag) else _TEXT
    if isinstance(kind, (declaration.Int, declaration.Num)):
        of = _NUMBER
    unit = getattr(kind, "unit", "")
    words = getattr(kind, "words", ())
    return element(
        "eCustomConfiguration.CustomGroup",
        element("eCustomConfiguration.01", text=title(path)),
        element("eCustomConfiguration.02", text=(kind.doc + (f" Unit: {unit}." if unit else ""))[:255]),
        element("eCustomConfiguration.03", text=of),
        element(
            "eCustomConfiguration.04",
            text=codes.YES
            if isinstance(kind, (declaration.Codes, declaration.Idents)) or path == NOT_COLLECTED_PATH
            else codes.NO,
        ),
        element("eCustomConfiguration.05", text="9903007"),
        *(element("eCustomConfiguration.06", text=word) for word in words),
        *(element("eCustomConfiguration.07", text=nv) for nv in (codes.NOT_RECORDED, codes.NOT_REPORTING)),
        CustomElementID=custom_id(path),
    )
