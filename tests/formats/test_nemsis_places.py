"""Every place resolves in the document that was sent, and no oddity of a well-formed chart is more than a notice.

The evaluator is XPath 1.0 of libxml2 (W3C REC-xpath-19991116), which had no part in making the expressions.
"""

from __future__ import annotations

import copy
import random
from typing import Any

import pytest
from lxml import etree

from service.formats.nemsis import read as nemsis_reader
from service.formats.nemsis.write import write
from service.problems import Rejected
from tests.support.episodes import full
from tests.support.nemsis import (
    CUSTOM,
    RESTRAINED,
    chart,
    document,
    el,
    pcr,
    procedure,
    read,
    refused,
    shared,
    unresolved,
    vital,
)
from tests.support.pipeline import demo, demo_names, pipeline
from tests.support.reviews import instances

ODD = (
    "", " ", "0", "-1", "999999999999999999999", "1e9", "NaN", "é", "Z", "9923003", "7701003", "state.none", "state.recorded",
    "state.declined.other", "2031-04-12T18:00:00-06:00", "2031-04-12T24:00:00-00:00", "0000-00-00T00:00:00+99:99", "true", "x" * 5000, "\t\n", "386423001",
)  # fmt: skip
ATTRIBUTES = (
    "CorrelationID",
    "PN",
    "NV",
    "CodeType",
    "ETCO2Type",
    "UUID",
    "CustomElementID",
    "{http://www.w3.org/2001/XMLSchema-instance}nil",
)


def base(name: str) -> bytes:
    if name in ("restrained", "custom"):
        return shared(RESTRAINED if name == "restrained" else CUSTOM).read_bytes()
    return write(full() if name == "full" else demo(name)).document


@pytest.mark.parametrize("name", ["restrained", "custom", "full", *demo_names()])
def test_every_place_resolves(name: str) -> None:
    intake = read(base(name))
    assert len(intake.places) > 60
    for pointer in intake.places:
        assert intake.locate(f"{pointer}/further/on") == intake.places[pointer]


def changed(root: etree._Element, chance: random.Random) -> bytes:
    """A copy of a document with a few things wrong in it, still well-formed."""
    root = copy.deepcopy(root)
    for _ in range(chance.randint(1, 12)):
        nodes = [n for n in root.iter("{*}*") if n.getparent() is not None and n.getparent().getparent() is not None]
        node = chance.choice(nodes)
        match chance.randint(0, 7):
            case 0 | 1:
                node.text = chance.choice(ODD)
            case 2:
                node.set(
                    chance.choice(ATTRIBUTES),
                    chance.choice((*ODD[2:], "v1", "v2", "8801005", "8801029", "7701005", "3340005", "1")).strip()
                    or "1",
                )
            case 3:
                for name in list(node.attrib):
                    del node.attrib[name]
            case 4:
                node.getparent().remove(node)
            case 5:
                node.addnext(copy.deepcopy(node))
            case 6:
                node.addprevious(etree.Element("{other}a"))
            case 7 if len(node) < 20:
                chance.choice(nodes).append(copy.deepcopy(node))
    return etree.tostring(root)


@pytest.mark.parametrize("name", ["restrained", "custom", "hold-only"])
def test_a_chart_with_oddities_is_read_or_has_no_restraint(name: str) -> None:
    root, chance = etree.fromstring(base(name)), random.Random(20310412)
    reads = 0
    for _ in range(120 if name != "hold-only" else 25):
        body = changed(root, chance)
        try:
            intake = nemsis_reader.Reader().read(body)
        except Rejected as rejected:
            assert rejected.code in ("no-restraint", "no-chart", "several-charts", "xml-too-deep"), rejected.code
            continue
        reads += 1
        assert unresolved(body, intake) == []
        assert not any("x" * 50 in notice.detail for notice in intake.notices)
    assert reads > 15


def test_oddities_are_reviewed_too() -> None:
    root, chance = etree.fromstring(base("restrained")), random.Random(7)
    for _ in range(12):
        body = changed(root, chance)
        try:
            found: dict[str, Any] = dict(pipeline().review(body, "application/xml", "default").document)
        except Rejected:
            continue
        tree = etree.fromstring(body)
        for finding in instances(found):
            assert all(
                len(tree.xpath(p["xpath"], namespaces=nemsis_reader.NAMESPACES)) == 1 for p in finding["pointers"]
            )
        assert found["summary"]["error"] == 0


def test_the_same_bytes_give_the_same_answer() -> None:
    body = base("exemplary")
    assert nemsis_reader.Reader().read(body) == nemsis_reader.Reader().read(body)


def test_more_items_than_an_episode_takes() -> None:
    """The limit is that of our own JSON, and the place is in the document."""
    body = document(pcr(eVitals=vital(el("eVitals.12", "97")) * 2_001))
    assert refused(body) == (422, "too-many-items")
    with pytest.raises(Rejected) as caught:
        nemsis_reader.Reader().read(body)
    (item,) = caught.value.errors
    assert item.pointer is None
    assert len(etree.fromstring(body).xpath(item.location, namespaces=nemsis_reader.NAMESPACES)) == 1  # type: ignore[attr-defined]


def test_many_notices_of_one_kind_are_summed_up() -> None:
    intake = chart(eVitals=vital(el("eVitals.12", "101"), el("eVitals.14", "16")) * 30)
    assert len(intake.notices) == 21
    assert "10 more places" in intake.notices[-1].detail


def test_an_element_of_another_namespace_is_not_counted() -> None:
    body = document(
        pcr(eProcedures='<eProcedures.ProcedureGroup xmlns="urn:x"/>' + procedure() + procedure(clock="18:20"))
    )
    assert read(body).places["/application/started"].endswith("nem:eProcedures.ProcedureGroup[1]/nem:eProcedures.01")
