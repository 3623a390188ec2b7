"""A NEMSIS v3.5 EMSDataSet -> episodes.

Every location is an XPath 1.0 expression with the prefix ``nem`` bound to
``http://www.nemsis.org`` (``NAMESPACES``). Names, addresses, telephone numbers,
images and attachments are not read; of a date of birth only the age is kept;
crew members become ``p1``, ``p2`` and so on.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, NoReturn

from service.checkpoint import Checkpoint, never
from service.formats.locations import nearest
from service.intake import episode_json
from service.intake.result import Intake
from service.problems import ProblemItem, Rejected

from . import care, carried, codes, people, situation, treatments, xsd
from .chart import Chart, fits_id
from .custom import Custom, Definitions, definitions, results
from .mapping import MappingError, Mappings, load_mappings, shipped
from .parse import parse
from .tree import NAMESPACES, El

__all__ = ["MappingError", "Mappings", "NAMESPACES", "ReadChart", "Reader", "load_mappings"]

#: code -> what the caller reads; all 422.
PROBLEMS = {
    "several-charts": "The document holds more than one patient care report. Send one, or all of them as a batch.",
    "no-chart": "The document holds no patient care report.",
    "no-restraint": "The chart holds no restraint: no procedure, no statement, no mapped custom element.",
    "not-schema-valid": "The document does not fit the published schema.",
}


#: Reads one chart of a document when it is called. Raises Rejected for that chart alone.
ReadChart = Callable[[Checkpoint], Intake]


@dataclass(frozen=True, slots=True)
class Reader:
    """Reads documents. ``mappings``: of custom elements; ``xsd_directory``: the published schema, checked first."""

    mappings: Mappings | None = None
    xsd_directory: Path | None = None

    def read(self, body: bytes, checkpoint: Checkpoint = never) -> Intake:
        """Read a document with exactly one chart.

        Raises Rejected with a code of ``PROBLEMS`` (422) or of ``parse.PROBLEMS``.
        """
        charts = _charts(body, self.xsd_directory)
        if len(charts) > 1:
            _refuse("several-charts", charts[1].at)
        defined = definitions(charts[0].around, self.mappings or shipped())
        return _read(charts[0], defined, _digest(body), checkpoint)

    def read_all(self, body: bytes) -> list[ReadChart]:
        """What reads each chart of a document, in order. Raises Rejected for the document as a whole."""
        charts = _charts(body, self.xsd_directory)
        out: list[ReadChart] = []
        defined: dict[str, Definitions] = {}
        for number, chart in enumerate(charts):
            header = chart.around  # it defines the custom elements
            if header.at not in defined:
                defined[header.at] = definitions(header, self.mappings or shipped())
            digest = _digest(body) if len(charts) == 1 else _digest(body, number)
            out.append(partial(_read, chart, defined[header.at], digest))
        return out


def _refuse(code: str, at: str) -> NoReturn:
    raise Rejected(422, code, [ProblemItem(code, PROBLEMS[code], location=at)])


def _charts(body: bytes, xsd_directory: Path | None) -> list[El]:
    root = parse(body)
    if xsd_directory is not None:
        xsd.check(root, xsd_directory)
    top = El(root, "EMSDataSet", None)
    charts = list(top.each("Header", "PatientCareReport"))
    if not charts:
        _refuse("no-chart", top.at)
    return charts


def _digest(body: bytes, number: int | None = None) -> str:
    """The digest of a document; of one chart of several with its number, so that each has a digest of its own."""
    found = hashlib.sha256(body)
    if number is not None:
        found.update(b"\0%d" % number)
    return "v1:" + found.hexdigest()


def read_core(pcr: El, referenced: set[str | None]) -> Chart:
    """What the standard's own elements of a report say. ``referenced``: CorrelationIDs that custom elements name."""
    chart = Chart(pcr)
    chart.referenced = referenced
    _core(chart)
    return chart


def _core(chart: Chart) -> None:
    crew = people.Crew(chart)
    people.patient(chart)
    care.times(chart)
    treatments.procedures(chart, crew)
    treatments.drugs(chart, crew)
    care.vitals(chart)
    care.examination(chart)
    care.posture(chart)
    care.arrest(chart)
    situation.situation(chart)
    treatments.no_other_actions(chart)
    people.law_enforcement(chart)
    people.harm(chart, crew)
    people.record(chart, crew)


def _read(pcr: El, defined: Definitions, digest: str, checkpoint: Checkpoint = never) -> Intake:
    active, by_id = defined
    chart = Chart(pcr, checkpoint)
    custom = Custom(chart, results(chart, active, by_id))
    _core(chart)
    custom.apply()
    value, places = chart.build()
    where = _restraint(chart, value)
    if where is None:
        _refuse("no-restraint", pcr.at)
    if not {"application", "episode_ref"} & set(value) and not _other_restraint(chart, value):
        # A restraint is stated and nothing of it charted: an empty section, so that rules ask for the rest.
        value["application"] = {}
        places["/application"] = where
    value.setdefault("episode_ref", _reference(pcr))
    listed = custom.not_collected
    mapped = [path for element in active.values() for path in element.into]
    value["not_collected"] = carried.known(listed) if listed is not None else carried.left(mapped)
    return _intake(value, places, chart, digest, checkpoint, stated=listed is not None)


def _intake(
    value: dict[str, Any], places: dict[str, El], chart: Chart, digest: str, checkpoint: Checkpoint, *, stated: bool
) -> Intake:
    try:
        intake = episode_json.from_made(value, checkpoint, stated=stated)
    except Rejected as rejected:
        # Every value was checked on its own, so what can be wrong is the whole: too many items.
        where = [
            ProblemItem(e.code, e.detail, location=nearest(places, e.pointer or ""), count=e.count)
            for e in rejected.errors
        ]
        in_all = sum(e.count for e in where) + rejected.omitted
        raise Rejected(rejected.status, rejected.code, where, in_all) from None
    return chart.finished(intake, places, "xpath", digest)


def _reference(pcr: El) -> str:
    """The UUID of the report, a key of the vendor's own and no patient identifier; else ``chart``."""
    ident = pcr.attribute("UUID")
    return ident if fits_id(ident) else "chart"


def _other_restraint(chart: Chart, value: dict[str, Any]) -> bool:
    known = any(spot.data.get("drug") != "other" for spot in chart.lists.get("/sedation/doses", ()))
    return known or bool(value.get("custody", {}).get("devices"))


def _restraint(chart: Chart, value: dict[str, Any]) -> El | None:
    """Where the chart says that the patient was restrained; None when it does not.

    A procedure that was done, a statement (barrier to care, ambulance
    condition, signature status), a mapped custom element, or a sedative under
    the protocol for behavior. The protocol by itself says nothing of restraint.
    """
    if chart.restraint is not None:
        return chart.restraint
    pcr = chart.pcr
    for path, statement in (
        (("eHistory", "eHistory.01"), codes.PHYSICALLY_RESTRAINED),
        (("ePayment", "ePayment.47"), codes.HAD_TO_BE_RESTRAINED),
        (("eOther", "eOther.SignatureGroup", "eOther.15"), codes.NOT_SIGNED_RESTRAINED),
    ):
        for el in pcr.each(*path):
            if el.text == statement:
                return el
    if treatments.sedated(chart):
        for el in pcr.each("eProtocols", "eProtocols.ProtocolGroup", "eProtocols.01"):
            if el.text == codes.BEHAVIOURAL_PROTOCOL:
                return el
    if _by_custom(chart):
        return pcr.get("eCustomResults")
    return None


_TELLING = ("/application/limbs", "/application/holds", "/application/body_weight", "/custody/devices")


def _by_custom(chart: Chart) -> bool:
    """Whether mapped custom elements name an episode, or something that restrained."""
    application = chart.objects.get("/application")
    started = application.data.get("started") if application else None
    return (
        "episode_ref" in chart.objects[""].data
        or isinstance(started, str)
        or any(chart.lists.get(path) for path in _TELLING)
    )
