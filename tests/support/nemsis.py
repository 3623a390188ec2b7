"""EMSDataSets for tests: small ones built by hand, the shared files where they are, and lxml's own XPath."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

import pytest
from lxml import etree

from service.episode.absence import Absent
from service.formats.nemsis import read as nemsis_reader
from service.intake.result import Intake
from service.problems import Rejected
from tests.support.standards import shared as shared

RELEASE = "nemsis/xsd/3.5.1.250403CP1"
SAMPLES = "nemsis/samples"
RESTRAINED = f"{SAMPLES}/nemsis-restrained.xml"
CUSTOM = f"{SAMPLES}/CustomElements/New_Grouping_PatientRestraint.xml"


def at(clock: str) -> str:
    """A time of the day of the tests."""
    return f"2031-04-12T{clock}:00-06:00"


def el(name: str, *inside: str, **attributes: str) -> str:
    """One element as text: <name attributes>inside</name>."""
    told = "".join(f' {key}="{value}"' for key, value in attributes.items())
    return f"<{name}{told}>{''.join(inside)}</{name}>"


def nil(name: str, **attributes: str) -> str:
    """An element without value, such as nil("eVitals.10", NV="7701003")."""
    told = "".join(f' {key}="{value}"' for key, value in attributes.items())
    return f'<{name} xsi:nil="true"{told}/>'


def procedure(code: str = "386423001", clock: str = "18:00", *more: str, **attributes: str) -> str:
    """A ProcedureGroup."""
    return el(
        "eProcedures.ProcedureGroup", el("eProcedures.01", at(clock)), el("eProcedures.03", code), *more, **attributes
    )


def vital(*inside: str, clock: str = "18:05", **attributes: str) -> str:
    """A VitalGroup."""
    return el("eVitals.VitalGroup", el("eVitals.01", at(clock)), *inside, **attributes)


def medication(*inside: str, code: str = "6960", pn: str = "", **attributes: str) -> str:
    """A MedicationGroup with a drug by RxNorm code."""
    drug = el("eMedications.03", code, **({"CodeType": "9924003"} | ({"PN": pn} if pn else {})))
    return el("eMedications.MedicationGroup", el("eMedications.01", at("18:10")), drug, *inside, **attributes)


def definition(ident: str, title: str) -> str:
    """A custom element in eCustomConfiguration."""
    return el("eCustomConfiguration.CustomGroup", el("eCustomConfiguration.01", title), CustomElementID=ident)


def result(ident: str, *values: str, of: str = "", **attributes: str) -> str:
    """A custom result; ``values`` are texts or whole elements."""
    told = [v if v.startswith("<") else el("eCustomResults.01", v) for v in values]
    return el(
        "eCustomResults.ResultsGroup",
        *told,
        el("eCustomResults.02", ident),
        el("eCustomResults.03", of) if of else "",
        **attributes,
    )


def pcr(
    restraint: bool = True, uuid: str = "874e8004-ab36-47e9-9f10-747844b5edac", **sections: str | Iterable[str]
) -> str:
    """A PatientCareReport. Sections by name; a restraint procedure unless there are procedures or it is unwanted."""
    if restraint and "eProcedures" not in sections:
        sections = {**sections, "eProcedures": procedure()}
    inside = [el(name, text if isinstance(text, str) else "".join(text)) for name, text in sections.items()]
    return el("PatientCareReport", *inside, UUID=uuid)


def document(*reports: str, config: str = "") -> bytes:
    """An EMSDataSet with one Header."""
    inside = el("Header", el("eCustomConfiguration", config) if config else "", *(reports or (pcr(),)))
    namespaces = {"xmlns": nemsis_reader.NAMESPACES["nem"], "xmlns:xsi": "http://www.w3.org/2001/XMLSchema-instance"}
    return el("EMSDataSet", inside, **namespaces).encode()


def read(body: bytes, **more: Any) -> Intake:
    """Through the reader, with every place it names resolved by lxml in the document that was sent."""
    intake = nemsis_reader.Reader(**more).read(body)
    assert unresolved(body, intake) == []
    return intake


def read_each(body: bytes) -> list[Intake | Rejected]:
    """Every chart of a document, or why it is refused."""

    def one(read_chart: Callable[[], Intake]) -> Intake | Rejected:
        try:
            return read_chart()
        except Rejected as rejected:
            return rejected

    return [one(read_chart) for read_chart in nemsis_reader.Reader().read_all(body)]


def chart(**sections: str | Iterable[str]) -> Intake:
    """One chart of the given sections, read."""
    return read(document(pcr(**sections)))


def unresolved(body: bytes, intake: Intake) -> list[str]:
    """Places and notices that name no single element of the document (XPath 1.0 by libxml2)."""
    root = etree.fromstring(body)
    told = set(intake.places.values()) | {notice.pointer for notice in intake.notices}
    return [path for path in sorted(told) if len(root.xpath(path, namespaces=nemsis_reader.NAMESPACES)) != 1]


def refused(body: bytes, **more: Any) -> tuple[int, str]:
    """(status, code) of a refusal."""
    with pytest.raises(Rejected) as caught:
        nemsis_reader.Reader(**more).read(body)
    return caught.value.status, caught.value.code


def codes(intake: Intake) -> list[str]:
    """The codes of the notices."""
    return [notice.code for notice in intake.notices]


def state(value: Any) -> str:
    """``recorded``, or the state of an absent value with its reason."""
    if not isinstance(value, Absent):
        return "recorded"
    return value.state if value.reason is None else f"{value.state} {value.reason}"
