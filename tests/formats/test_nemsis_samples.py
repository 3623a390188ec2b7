"""Documents that others wrote: the official compliance cases, the standard's own restraint sample, the well-run chart.

Source: NEMSIS TAC, sample data and pre-testing cases of release 3.5.1.250403CP1.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from lxml import etree

from service.formats.nemsis import codes as tables
from service.formats.nemsis import read as nemsis_reader
from service.formats.nemsis import xsd
from service.problems import Rejected
from tests.support.nemsis import CUSTOM, RELEASE, RESTRAINED, SAMPLES, codes, read, refused, shared
from tests.support.pipeline import pipeline
from tests.support.reviews import instances

OFFICIAL = [
    *(f"PreTesting-{part}/2025-EMS-{case}_v351.xml" for part in ("full", "national") for case in ("1-Overdose", "2-Suicide", "3-MVC", "4-eBike", "5-CPMIH")),
    "PreTesting-fail/2025-EMS-FailSchematron_v351.xml",
    "CustomElements/Extend_eMedications.08_DoesNotMapToNemsisCode.xml",
    "CustomElements/Extend_eMedications.08_MapsToNemsisCode.xml",
    "CustomElements/Extend_eVitals.26_DoesNotMapToNemsisCode.xml",
    "CustomElements/Extend_eVitals.26_MapsToNemsisCode.xml",
]  # fmt: skip
FAIL_XSD = "PreTesting-fail/2025-EMS-FailXsd_v351.xml"
#: The same chart in both formats, each as its own writer charts it: rules whose findings come through one alone, and why.
ONLY_THROUGH = {
    "FHIR": {
        "RR-1137": "the Bundle holds no transfer of care",
    },
    "NEMSIS": {
        "RR-1324": "the gap ends with the transfer of care, which the Bundle does not hold",
    },
}


def review(body: bytes, media_type: str = "application/xml") -> dict[str, Any]:
    return dict(pipeline().review(body, media_type, "default").document)


def sample(name: str) -> bytes:
    return shared(f"{SAMPLES}/{name}").read_bytes()


@pytest.mark.parametrize("name", OFFICIAL)
@pytest.mark.parametrize("checked", [False, True], ids=["unchecked", "checked"])
def test_official_cases_hold_no_restraint(name: str, checked: bool) -> None:
    body = sample(name)
    assert refused(body, xsd_directory=shared(RELEASE) if checked else None) == (422, "no-restraint")


def test_the_schema_case_fails_with_its_place() -> None:
    body = sample(FAIL_XSD)
    assert refused(body) == (422, "no-restraint")
    with pytest.raises(Rejected) as caught:
        nemsis_reader.Reader(xsd_directory=shared(RELEASE)).read(body)
    assert (caught.value.status, caught.value.code) == (422, "not-schema-valid")
    places = [item.location for item in caught.value.errors if item.location]
    assert places == ["/nem:EMSDataSet/nem:Header/nem:PatientCareReport/nem:eSituation"]
    assert len(etree.fromstring(body).xpath(places[0], namespaces=nemsis_reader.NAMESPACES)) == 1


def test_schema_errors_say_nothing_of_the_document() -> None:
    text = sample("nemsis-restrained.xml").decode()
    text = text.replace("<eVitals.14>18</eVitals.14>", "<eVitals.14>canary</eVitals.14>", 3).replace(
        "<eTimes.03>", "<Jane.Canary>1</Jane.Canary><eTimes.03>"
    )
    with pytest.raises(Rejected) as caught:
        nemsis_reader.Reader(xsd_directory=shared(RELEASE)).read(text.encode())
    told = [(item.code, getattr(item, "location", "")) for item in caught.value.errors]
    assert [code for code, _ in told].count("xsd-value") == 3
    root = etree.fromstring(text.encode())
    assert all(len(root.xpath(place, namespaces=nemsis_reader.NAMESPACES)) == 1 for _, place in told)
    assert "canary" not in repr(caught.value.errors).lower()


def test_a_directory_without_the_schema(tmp_path: Path) -> None:
    with pytest.raises(xsd.SchemaError):
        xsd.load(tmp_path)


def test_the_custom_restraint_sample() -> None:
    """Its second entry is a restraint, with time, kind and reason; its first is the straps of the stretcher."""
    body = shared(CUSTOM).read_bytes()
    intake = read(body)
    application = intake.episode.application
    assert application.started.when.isoformat() == "2011-01-01T05:15:00+00:00"
    assert [(r.side, r.site, r.device, r.on.when.isoformat()) for r in application.limbs] == [
        (side, "forearm", "other", "2011-01-01T05:15:00+00:00") for side in ("left", "right")
    ]
    assert [(b.behaviour, b.words) for b in intake.episode.decision.behaviours] == [
        ("other", "the patient became violent")
    ]
    (belts,) = [n for n in intake.notices if n.code == "no-restraint-by-mapping"]
    assert belts.pointer.endswith("nem:eCustomResults.ResultsGroup[2]")
    for pointer, number in (
        ("/application/started", 4),
        ("/application/limbs/0/device", 5),
        ("/decision/behaviours/0/words", 6),
    ):
        assert f"eCustomResults.ResultsGroup[{number}]" in intake.locate(pointer)
    assert review(body)["episode_ref"] == "874e8004-ab36-47e9-9f10-747844b5edac"


@pytest.mark.parametrize(
    "change",
    [("Type of restraint<", "Kind of restraint<"), ('CustomElementID="C101"', 'CustomElementID="C999"')],
    ids=["title", "id"],
)
def test_generic_ids_count_only_with_their_titles(change: tuple[str, str]) -> None:
    text = shared(CUSTOM).read_text(encoding="utf-8").replace(*change)
    intake = read(text.encode())
    assert (
        codes(intake).count("custom-element-not-matched" if "Kind" in change[1] else "custom-element-not-mapped") == 1
    )
    assert "/application/limbs" not in intake.places


def test_the_well_run_chart_has_nothing_critical() -> None:
    """HR 132 before restraint is a thing to look at again, no alarm."""
    document = review(shared(RESTRAINED).read_bytes())
    assert document["summary"]["by_severity"]["critical"] == 0
    assert document["summary"]["error"] == 0
    fast = [f for f in instances(document) if "132" in f["message"]]
    assert [f["severity"] for f in fast] == ["info"]
    assert [list(p) for f in instances(document) for p in f["pointers"] if "xpath" not in p] == []


def test_without_custom_elements_it_has_no_more_findings() -> None:
    """What the standard has no place for is not held against the chart."""
    root = etree.fromstring(shared(RESTRAINED).read_bytes())
    for name in ("eCustomConfiguration", "eCustomResults"):
        found = root.find(f".//{{{tables.NEMSIS}}}{name}")
        found.getparent().remove(found)
    plain, full = review(etree.tostring(root)), review(shared(RESTRAINED).read_bytes())
    assert {f["rule"]["id"] for f in plain["findings"]} <= {f["rule"]["id"] for f in full["findings"]}
    assert plain["summary"]["not_assessable"] > full["summary"]["not_assessable"]


def test_the_same_chart_in_both_formats() -> None:
    bundle = review(shared("fhir/fhir-restrained.json").read_bytes(), "application/fhir+json")
    chart = review(shared(RESTRAINED).read_bytes())

    def findings(document: dict[str, Any]) -> set[tuple[str, str, str]]:
        return {(f["rule"]["id"], f["severity"], f["message"]) for f in instances(document)}

    assert {f[0] for f in findings(bundle) - findings(chart)} == set(ONLY_THROUGH["FHIR"])
    assert {f[0] for f in findings(chart) - findings(bundle)} == set(ONLY_THROUGH["NEMSIS"])


def test_codes_marked_as_read_stand_in_the_schema() -> None:
    """Each in an enumeration of the element it is read from (all enumerations of the element's file and of the common types)."""
    home = shared(RELEASE)

    def enumerated(name: str) -> set[str]:
        return {
            str(node.get("value"))
            for node in etree.parse(home / name).iter("{http://www.w3.org/2001/XMLSchema}enumeration")
        }

    common = enumerated("commonTypes_v3.xsd")
    for element, table in tables.BY_ELEMENT.items():
        name = element.split()[0]
        known = common | enumerated(f"{name.split('.')[0]}_v3.xsd") if "." in name else common
        listed = {code for code, found in table.items() if found.source == tables.READ}
        assert listed - known == set(), element
