"""XML made to do harm, and XML that is none: a refusal of its own each, bounded in time and memory.

The attacks are those of the OWASP XML External Entity Prevention Cheat Sheet
and of XML 1.0 (fifth edition), 2.8 and 4.3.3.
"""

from __future__ import annotations

import re
import resource
from pathlib import Path

import pytest

from service.formats.nemsis import parse
from service.formats.nemsis import read as nemsis_reader
from service.formats.nemsis.write import title
from service.problems import Rejected
from tests.support.cost import cpu_at_most
from tests.support.nemsis import definition, document, el, pcr, read_each, refused, result, vital

LAUGHS = b"".join(b'<!ENTITY l%d "%s">' % (n, b"&l%d;" % (n - 1) * 10) for n in range(1, 10))


def inside(text: bytes, head: bytes = b"") -> bytes:
    """A text in the place of a procedure code of a good document."""
    return head + document().replace(b"386423001", text)


CASES = {
    "entity bomb": (b'<!DOCTYPE a [<!ENTITY l0 "lol">' + LAUGHS + b"]>" + inside(b"&l9;"), 400, "xml-document-type"),
    "external entity": (
        inside(b"&x;", b'<!DOCTYPE a [<!ENTITY x SYSTEM "file:///etc/hostname">]>'),
        400,
        "xml-document-type",
    ),
    "parameter entity": (
        inside(b"1", b'<!DOCTYPE a [<!ENTITY % p SYSTEM "http://127.0.0.1:9/x"> %p;]>'),
        400,
        "xml-document-type",
    ),
    "outer document type": (
        inside(b"1", b'<!DOCTYPE EMSDataSet SYSTEM "http://127.0.0.1:9/x.dtd">'),
        400,
        "xml-document-type",
    ),
    "after a comment": (
        inside(b"1", b"<?xml version='1.0'?> <!-- <!x> --><?pi <!DOCTYPE ?>\n<!DOCTYPE a>"),
        400,
        "xml-document-type",
    ),
    "entity without declaration": (inside(b"&x;"), 400, "not-xml"),
    "null character": (inside(b"&#0;"), 400, "not-xml"),
    "open comment": (b"<!-- " + inside(b"1"), 400, "not-xml"),
    "too deep for the parser": (inside(b"<a>" * 400 + b"</a>" * 400), 400, "xml-too-deep"),
    "too deep for a chart": (inside(b"<a>" * 40 + b"</a>" * 40), 400, "xml-too-deep"),
    "UTF-7": (inside(b"+ADw-", b"<?xml version='1.0' encoding='UTF-7'?>"), 400, "xml-not-utf-8"),
    "UTF-16": (document().decode().encode("utf-16"), 400, "xml-not-utf-8"),
    "UTF-32": (document().decode().encode("utf-32"), 400, "xml-not-utf-8"),
    "says EBCDIC": (inside(b"1", b"<?xml version='1.0' encoding='cp037'?>"), 400, "xml-not-utf-8"),
    "Latin-1 unsaid": (inside("é".encode("latin-1")), 400, "xml-not-utf-8"),
    "Latin-1 said": (
        inside("é".encode("latin-1"), b"<?xml version='1.0' encoding='ISO-8859-1'?>"),
        400,
        "xml-not-utf-8",
    ),
    "20 MB": (inside(b"x" * 20_000_000), 400, "xml-too-large"),
    "12 MB in one text": (inside(b"x" * 12_000_000), 400, "xml-too-large"),
    "many elements": (inside(b"<a/>" * 700_000), 400, "xml-too-large"),
    "many attributes": (
        inside(b"<a " + b" ".join(b'a%d=""' % n for n in range(700_000)) + b"/>"),
        400,
        "xml-too-large",
    ),
    "two attributes of one name": (inside(b'<a b="1" b="2"/>'), 400, "not-xml"),
    "prefix without namespace": (inside(b"<x:a/>"), 400, "not-xml"),
    "cut off": (document()[:-20], 400, "not-xml"),
    "two roots": (document() + b"<a/>", 400, "not-xml"),
    "nothing": (b"", 400, "not-xml"),
    "JSON": (b'{"episode_ref": "x"}', 400, "not-xml"),
    "other XML": (b"<a/>", 422, "not-nemsis"),
    "another namespace": (document().replace(b"www.nemsis.org", b"example.org"), 422, "not-nemsis"),
    "another data set": (document().replace(b"EMSDataSet", b"DEMDataSet"), 422, "not-nemsis"),
    "another version": (
        b'<EMSDataSet xmlns="http://www.nemsis.org" xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance" '
        b'xsi:schemaLocation="http://www.nemsis.org nemsis_v3/3.4.0/EMSDataSet_v3.xsd"/>',
        422,
        "unsupported-version",
    ),
    "no chart": (b'<EMSDataSet xmlns="http://www.nemsis.org"><Header/></EMSDataSet>', 422, "no-chart"),
}


@pytest.mark.parametrize("name", CASES)
def test_refused_soon_and_small(name: str) -> None:
    body, status, code = CASES[name]
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    with cpu_at_most(1):
        assert refused(body) == (status, code)
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 150 * 1024


@pytest.mark.parametrize("name", CASES)
def test_nothing_of_the_document_in_a_refusal(name: str) -> None:
    body, _, code = CASES[name]
    with pytest.raises(Rejected) as caught:
        nemsis_reader.Reader().read(body)
    assert str(caught.value) == code
    told = parse.PROBLEMS | nemsis_reader.PROBLEMS
    for item in caught.value.errors:
        place = re.fullmatch(r"(.*?)(?: Line \d+, column \d+\.)?", item.detail)
        assert (item.code, place[1] if place else "") == (code, told[code])
        assert item.location in (None, "/nem:EMSDataSet")
    assert caught.value.__cause__ is None


def test_the_place_of_what_is_no_xml_is_told_in_numbers() -> None:
    with pytest.raises(Rejected) as caught:
        nemsis_reader.Reader().read(b"<a>\n <b></c></a>")
    (item,) = caught.value.errors
    assert item.detail.endswith(" Line 2, column 9.")


def test_every_refusal_of_the_parser_has_a_case() -> None:
    assert set(parse.PROBLEMS) <= {code for _, _, code in CASES.values()}


def test_no_file_is_included(tmp_path: Path) -> None:
    """XInclude 1.0 is not processed; the text of the file appears nowhere."""
    secret = tmp_path / "secret"
    secret.write_text("canary", encoding="utf-8")
    link = f'<xi:include xmlns:xi="http://www.w3.org/2001/XInclude" parse="text" href="{secret.as_uri()}"/>'
    body = inside(b"386423001").replace(
        b"</PatientCareReport>",
        f"<eNarrative><eNarrative.01>{link}</eNarrative.01></eNarrative></PatientCareReport>".encode(),
    )
    intake = nemsis_reader.Reader().read(body)
    assert "canary" not in repr(intake)


def test_what_a_good_document_may_begin_with() -> None:
    """XML 1.0, 2.8: byte order mark, declaration, comments, instructions, white space; a comment may say DOCTYPE."""
    for head in (
        b"\xef\xbb\xbf",
        b"<?xml version='1.0' encoding='utf-8'?>\n",
        b"<!-- <!DOCTYPE a> -->",
        b"<?pi x?>",
        b'<?xml version="1.0" encoding="US-ASCII"?>',
    ):
        assert nemsis_reader.Reader().read(head + document()).language == "xpath"


def test_text_in_pieces_is_one_text() -> None:
    """XML 1.0, 2.7: CDATA sections and comments do not end a text."""
    intake = nemsis_reader.Reader().read(inside(b"386<!-- x --><![CDATA[423]]>001"))
    assert "/application" in intake.places


def timed(body: bytes, most: float) -> list[object]:
    with cpu_at_most(most):
        return list(read_each(body))


def test_many_charts_take_time_in_proportion() -> None:
    """Thousands of charts and of definitions in one document: the definitions are read once."""
    config = "".join(definition(f"X{n}", "Title") for n in range(2_000))
    assert len(timed(document(*[pcr()] * 1_000, config=config), 8)) == 1_000


def test_many_custom_values_that_name_many_items() -> None:
    """Every value names every item: refused before it is a million of them."""
    config = definition("RR.monitoring.vitals.qtc_ms", title("/monitoring/vitals/*/qtc_ms"))
    sets = vital(el("eVitals.12", "97"), CorrelationID="same") * 2_000
    body = document(
        pcr(eVitals=sets, eCustomResults=result("RR.monitoring.vitals.qtc_ms", "440", of="same") * 5_000), config=config
    )
    (found,) = timed(body, 8)
    assert isinstance(found, Rejected)
    assert found.code == "too-many-items"


def test_many_empty_groups_between_full_ones() -> None:
    sets = (vital(el("eVitals.12", "97"), CorrelationID="a") + vital()) * 15_000
    (found,) = timed(document(pcr(eVitals=sets)), 8)
    assert isinstance(found, Rejected)
    assert found.code == "too-many-items"
