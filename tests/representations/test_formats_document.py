"""The formats as data and as a page: what is said there is what the readers do, no more and no less."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import yaml
from fhir.resources.R4B.bundle import Bundle
from lxml import etree

from service import pipeline as pipeline_module
from service.api.answers import REVIEWS
from service.api.formats import examples
from service.checkpoint import never
from service.episode import declaration
from service.episode.pointers import member_paths
from service.formats import media_types
from service.formats.fhir import carried as fhir_carried
from service.formats.fhir import read as fhir_reader
from service.formats.nemsis import carried as nemsis_carried
from service.formats.nemsis import codes
from service.formats.nemsis import read as nemsis_reader
from service.pages import formats as formats_page
from service.representations.formats_document import OUTPUTS, document
from service.rulebook.judging import judged_by
from tests.support.pages import formats as page
from tests.support.pages import tree
from tests.support.pipeline import pipeline

JUDGED = judged_by(pipeline().rulebook, [path for path, _ in member_paths()])
SAID: dict[str, Any] = document(examples(), JUDGED)
MEMBERS = {each["path"]: each for each in SAID["members"]}
#: Members of an item that have no place of their own in a chart: its id is that of its group or resource.
LEAVES = {path for path, member in member_paths() if not isinstance(member.kind, declaration.Items | declaration.Part)}


def test_every_member_stands_once() -> None:
    assert list(MEMBERS) == [each["path"] for each in SAID["members"]]
    assert set(MEMBERS) == LEAVES


def test_every_member_says_which_rules_judge_it() -> None:
    rules = {rule.id for rule in pipeline().rulebook.rules}
    assert {rule for each in MEMBERS.values() for rule in each["judged_by"]} <= rules
    assert {"RR-1360", "RR-1463"} <= set(MEMBERS["/monitoring/vitals/*/spo2"]["judged_by"])
    assert "RR-1472" in MEMBERS["/monitoring/vitals/*/dbp"]["judged_by"]
    assert "RR-1360" not in MEMBERS["/stretcher/height"]["judged_by"]


def test_doses_and_refill_have_a_place_of_the_standard_in_what_is_written() -> None:
    for name in ("dose", "unit", "route"):
        assert "MedicationAdministration.dosage" in str(MEMBERS[f"/sedation/doses/*/{name}"]["fhir"]["profile"])
    assert "component" in str(MEMBERS["/monitoring/limb_checks/*/cap_refill_s"]["fhir"]["profile"])


def test_the_example_brings_what_plain_fhir_carries() -> None:
    """All that is not in the table. What is in the table and brought all the same is no part of US Core: some systems
    send it and most do not, so a blank is not held against a chart."""
    brought = {path for path in LEAVES if MEMBERS[path]["fhir"]["plain"]}
    assert _carried(fhir_carried.EVERY_NOT_CARRIED) - brought == set()


def _carried(left: tuple[str, ...]) -> set[str]:
    """Leaves that are not in the table, nor in a list or object that is."""
    return {path for path in LEAVES if path not in left and not _inside(path, left)}


def _inside(path: str, left: tuple[str, ...]) -> bool:
    around = path
    while "/" in around[1:]:
        around = around.rpartition("/")[0].removesuffix("/*")
        if around in left:
            return True
    return False


def test_the_example_brings_what_nemsis_carries() -> None:
    """All that is not in the table. What is in the table and brought all the same stands in optional elements: some
    agencies have them and most have not, so a blank is not held against a chart."""
    brought = {path for path in LEAVES if MEMBERS[path]["nemsis"]["plain"]}
    carried = {
        path
        for path in _carried(nemsis_carried.EVERY_NOT_CARRIED)
        if not path.endswith(("/id", "/entered")) and path != "/episode_ref"
    }
    assert carried <= brought
    assert len(brought - carried) > 40
    optional = {path.split("/")[1] for path in brought - carried}
    assert optional <= {"patient", "decision", "team", "application", "postures", "sedation", "monitoring", "custody",
                        "handover", "injuries", "chart"}  # fmt: skip


def test_every_element_that_is_read_is_told_and_no_other() -> None:
    """Numbers of elements in the reader's own source."""
    home = Path(nemsis_reader.__file__).parent
    writes = ("codes.py", "mapping.py", "parts.py", "standard_elements.py", "write.py")
    text = "\n".join(path.read_text("utf-8") for path in home.glob("*.py") if path.name not in writes)
    read = set(re.findall(r"\"(e[A-Z][A-Za-z]+\.\d\d)\"", text))
    read |= {f"eVitals.{number}" for number in re.findall(r"\"gcs_\w+\", \"(\d\d)\"", text)}
    read |= {f"eTimes.{number}" for number in ("07", "06", "03")} if 'f"eTimes.{number}"' in text else set()
    told = {place["element"] for each in MEMBERS.values() for place in each["nemsis"]["plain"]}
    told = {name for name in told if re.fullmatch(r"e[A-Za-z]+\.\d\d", name)} | set(codes.HELPERS)
    # With the date of birth, for the age; the day of the call serves where no other is charted.
    assert read - told == {"eTimes.06", "eTimes.03"}
    assert told - read == set()


def test_every_code_says_its_source() -> None:
    for table in SAID["codes"]:
        assert {each["source"] for each in table["codes"]} <= {"read", "from memory"}, table["table"]
    assert {name for name, *_ in _vars(codes)} == _used(codes)


def _vars(module: Any) -> Iterator[tuple[str, Any]]:
    for name, value in vars(module).items():
        if name.isupper() and isinstance(value, dict) and value and isinstance(next(iter(value.values())), codes.Code):
            yield name, value


def _used(module: Any) -> set[str]:
    """Tables all of whose codes are told under some element."""
    told = {
        (code, found.source)
        for table in (module.BY_ELEMENT | module.BY_ELEMENT_OF_OTHERS).values()
        for code, found in table.items()
    }
    return {name for name, table in _vars(module) if {(c, f.source) for c, f in table.items()} <= told}


def test_examples_are_fhir_and_xml() -> None:
    """By the models of fhir.resources for R4B; the NEMSIS example says itself that it leaves out what it does not need."""
    Bundle.model_validate_json(SAID["examples"]["fhir"])
    assert etree.fromstring(SAID["examples"]["nemsis"].encode()).tag == "{http://www.nemsis.org}EMSDataSet"
    notices = {n.code for n in fhir_reader.read(SAID["examples"]["fhir"].encode()).notices}
    assert notices == {"free-text"}
    told = [
        {n.code for n in read(never).notices}
        for read in nemsis_reader.Reader().read_all(SAID["examples"]["nemsis"].encode())
    ]
    assert told == [set(), {"age-from-birth-date", "handed-to-other-unit"}]


def test_the_worked_example_is_what_is_read() -> None:
    example = SAID["nemsis_mapping"]["example"]
    assert yaml.safe_load(example["file"])["id"] == "few-elements"
    root = etree.fromstring(example["document"].encode())
    read = {each["pointer"]: each for each in example["read"]}
    for each in example["read"]:
        assert len(root.xpath(each["xpath"], namespaces=nemsis_reader.NAMESPACES)) == 1
    assert {p: read[p]["value"] for p in ("/application/limbs/1/side", "/application/limbs/1/anchor")} == {
        "/application/limbs/1/side": "right",
        "/application/limbs/1/anchor": "stretcher_frame",
    }
    assert read["/decision/behaviours/0/words"]["value"] == "struck out at the crew"


def test_inputs_and_outputs_are_those_of_the_service() -> None:
    assert [t for each in SAID["inputs"] for t in each["media_types"]] == list(pipeline_module.MEDIA_TYPES)
    assert set(OUTPUTS) == set(REVIEWS)
    assert set(media_types.NAMES) == set(media_types.FORMATS.values())


def test_the_page_shows_every_member() -> None:
    pages = [tree(formats_page.render_section(SAID, section)) for section in formats_page.sections_of(SAID["members"])]
    assert {code.text().strip() for one in pages for code in one.by_tag("code")} >= LEAVES


def test_the_page_shows_every_code_and_what_has_no_place() -> None:
    root = tree(page())
    text = root.text()
    for table in SAID["codes"]:
        for each in table["codes"]:
            assert each["code"] in text, (table["table"], each["code"])
    for each in SAID["inputs"]:
        assert all(left in text for left in each["not_collected"])
    links = {a.attributes["href"] for a in root.by_tag("a")}
    ids = {e.attributes["id"] for e in root.walk() if "id" in e.attributes}
    assert {link[1:] for link in links if link.startswith("#")} - {"main"} <= ids
    sections = {f"/v1/formats?section={section}" for section in formats_page.sections_of(SAID["members"])}
    assert {link for link in links if not link.startswith("#")} == {"/", "/openapi.yaml", "/v1/rules", *sections}


@pytest.mark.parametrize(
    ("body", "media_type"),
    [
        (b'{"episode_ref": "a"}', media_types.JSON),
        (b'  {"resourceType": "Bundle"}', media_types.FHIR),
        (b'{"entry": [], "resourceType": "Bundle"}', media_types.FHIR),
        (b'{"narrative": "\\"resourceType\\""}', media_types.JSON),
        (b'{"extensions": {"resourceType": "x"}}', media_types.JSON),
        (b'{"resourceType": ', media_types.JSON),
        (b"\xef\xbb\xbf<?xml version='1.0'?><a/>", media_types.NEMSIS),
        (b"\n <EMSDataSet/>", media_types.NEMSIS),
        (b"", media_types.JSON),
        (b"[1]", media_types.JSON),
    ],
)
def test_a_format_is_known_by_content(body: bytes, media_type: str) -> None:
    assert media_types.media_type_of(body) == media_type


def test_the_same_bytes_again() -> None:
    assert json.dumps(document(examples(), JUDGED)) == json.dumps(SAID)
