"""Reviews as SVRL, held against the element rules of the standard and the output of its reference implementation."""

from __future__ import annotations

import dataclasses
import json
from typing import Any

import pytest
from lxml import etree, isoschematron

from service.formats.fhir import write as fhir_writer
from service.intake import episode_json
from service.representations import svrl
from service.review.build import Review, Wanted
from tests.support.episodes import encoded
from tests.support.nemsis import RESTRAINED, shared
from tests.support.pipeline import demo, demo_names, pipeline
from tests.support.reviews import instances

FULL = Wanted(accounts=True, full=True)
NAMES = {"svrl": svrl.SVRL, "nem": "http://www.nemsis.org"}

#: The grammar of SVRL, ISO/IEC 19757-3:2006, Annex D, written down from memory. It differs from there in what the
#: reference implementation and the receiving systems do: ``svrl:text`` comes first, a diagnostic holds its text
#: directly, and ``role`` is any text (a NMTOKEN could not be ``[ERROR]``). The inside of ``nemsisDiagnostic`` is as the
#: Schematron guide of NEMSIS v3 has it, as a summary of it tells; its parts ``record`` (identifiers, which are not
#: kept here) and ``elementsMissing`` are not written. ``test_the_grammar...`` below holds it
#: against a report that the reference implementation wrote.
GRAMMAR = """
<grammar xmlns="http://relaxng.org/ns/structure/1.0" ns="http://purl.oclc.org/dsdl/svrl"
         datatypeLibrary="http://www.w3.org/2001/XMLSchema-datatypes">
 <start><element name="schematron-output">
  <optional><attribute name="title"/></optional>
  <optional><attribute name="phase"><data type="NMTOKEN"/></attribute></optional>
  <optional><attribute name="schemaVersion"/></optional>
  <zeroOrMore><ref name="human-text"/></zeroOrMore>
  <zeroOrMore><element name="ns-prefix-in-attribute-values">
   <attribute name="prefix"><data type="NMTOKEN"/></attribute><attribute name="uri"/>
  </element></zeroOrMore>
  <oneOrMore>
   <element name="active-pattern">
    <optional><attribute name="id"><data type="ID"/></attribute></optional>
    <optional><attribute name="name"/></optional>
    <optional><attribute name="role"><data type="NMTOKEN"/></attribute></optional>
   </element>
   <oneOrMore>
    <element name="fired-rule">
     <optional><attribute name="id"><data type="ID"/></attribute></optional>
     <attribute name="context"/>
     <optional><attribute name="role"><data type="NMTOKEN"/></attribute></optional>
     <optional><attribute name="flag"><data type="NMTOKEN"/></attribute></optional>
    </element>
    <zeroOrMore><choice>
     <element name="failed-assert"><ref name="found"/></element>
     <element name="successful-report"><ref name="found"/></element>
    </choice></zeroOrMore>
   </oneOrMore>
  </oneOrMore>
 </element></start>
 <define name="found">
  <optional><attribute name="id"><data type="ID"/></attribute></optional>
  <attribute name="location"/><attribute name="test"/>
  <optional><attribute name="role"/></optional>
  <optional><attribute name="flag"><data type="NMTOKEN"/></attribute></optional>
  <ref name="human-text"/>
  <zeroOrMore><element name="diagnostic-reference">
   <attribute name="diagnostic"><data type="NMTOKEN"/></attribute>
   <mixed><optional><element name="nemsisDiagnostic" ns="http://www.nemsis.org">
    <element name="elements"><oneOrMore><element name="element"><attribute name="location" ns=""/></element></oneOrMore>
    </element>
   </element></optional></mixed>
  </element></zeroOrMore>
 </define>
 <define name="human-text"><element name="text"><text/></element></define>
</grammar>
"""

SCHEMATRON = b"""
<schema xmlns="http://purl.oclc.org/dsdl/schematron" schemaVersion="1">
 <title>A title</title>
 <ns prefix="x" uri="urn:x"/>
 <pattern id="p">
  <title>A pattern</title>
  <rule id="r" context="x:a">
   <assert id="a1" test="x:b" role="ERROR" flag="critical" diagnostics="d">There is a b.</assert>
   <report id="a2" test="x:c">There is a c.</report>
  </rule>
 </pattern>
 <diagnostics><diagnostic id="d">More about it.</diagnostic></diagnostics>
</schema>
"""


def grammar() -> etree.RelaxNG:
    return etree.RelaxNG(etree.fromstring(GRAMMAR))


def reference_report() -> etree._Element:
    """What the reference implementation (iso_svrl_for_xslt1.xsl, shipped with lxml) writes."""
    made = isoschematron.Schematron(etree.fromstring(SCHEMATRON), store_report=True)
    made.validate(etree.fromstring(b'<a xmlns="urn:x"><c/></a>'))
    return made.validation_report.getroot()


def review_of(document: dict[str, Any]) -> Review:
    return pipeline().review(encoded(document), "application/json", "default", FULL)


def diagnostics(node: Any, name: str) -> list[str]:
    """The texts of the diagnostics of this name."""
    return [str(t) for t in node.xpath(f"svrl:diagnostic-reference[@diagnostic='{name}']/text()", namespaces=NAMES)]


def tree(review: Review) -> etree._Element:
    return etree.fromstring(svrl.render(review))


def found(root: etree._Element, path: str) -> list[Any]:
    return list(root.xpath(path, namespaces=NAMES))


def xml_review() -> tuple[Review, bytes]:
    body = shared(RESTRAINED).read_bytes()
    return pipeline().review(body, "application/xml", "default", FULL), body


def test_the_grammar_takes_what_the_reference_implementation_writes() -> None:
    report = reference_report()
    assert report.xpath("//svrl:failed-assert/svrl:diagnostic-reference", namespaces=NAMES)
    assert report.xpath("//svrl:successful-report", namespaces=NAMES)
    schema = grammar()
    assert schema.validate(report), schema.error_log


def test_nothing_is_written_that_the_reference_implementation_does_not_write() -> None:
    known = {(each.tag, name) for each in reference_report().iter(etree.Element) for name in ("", *each.attrib)}
    # It writes role and flag only where the schema has them, which the small one does for the assert alone.
    known |= {(f"{{{svrl.SVRL}}}fired-rule", "role")}
    known |= {(f"{{{svrl.SVRL}}}successful-report", name) for name in ("role", "flag")}
    for name in demo_names():
        ours = {(each.tag, at) for each in tree(review_of(demo(name))).iter() for at in ("", *each.attrib)}
        assert ours <= known


@pytest.mark.parametrize("name", demo_names())
def test_valid_for_json_and_for_fhir(name: str) -> None:
    bundle = fhir_writer.bundle(episode_json.from_value(demo(name)).episode)
    schema = grammar()
    for review in (
        review_of(demo(name)),
        pipeline().review(json.dumps(bundle).encode(), "application/fhir+json", "default", FULL),
    ):
        root = tree(review)
        assert schema.validate(root), schema.error_log
        failed = isoschematron.Schematron.ASSERTS_ONLY(root)
        found = instances(review.document)
        assert len(failed) == len(found)
        language = review.intake.language
        first = {one["fingerprint"][3:]: one["pointers"][0][language] for one in found}
        assert {each.get("id").partition(".")[2]: each.get("location") for each in failed} == first


def test_the_grammar_refuses_what_is_wrong() -> None:
    def spoil(path: str, name: str, value: str | None) -> bool:
        root = tree(review_of(demo("child-ketamine")))
        (node,) = found(root, path)[:1]
        if value is None:
            del node.attrib[name]
        else:
            node.set(name, value)
        return bool(grammar().validate(root))

    assert not spoil("//svrl:failed-assert", "location", None)
    assert not spoil("//svrl:failed-assert", "test", None)
    assert not spoil("//svrl:failed-assert", "flag", "two words")
    assert not spoil("//svrl:fired-rule", "context", None)
    assert not spoil("//svrl:fired-rule", "severity", "info")


@pytest.mark.parametrize("name", demo_names())
def test_says_what_the_review_says(name: str) -> None:
    review = review_of(demo(name))
    root = tree(review)
    accounts = {each.get("id"): each.get("role") for each in found(root, "//svrl:fired-rule")}
    assert accounts == {a["rule"]: a["outcome"] for a in review.document["accounts"]}
    nodes = {each.get("id"): each for each in found(root, "//svrl:failed-assert")}
    assert len(nodes) == len(instances(review.document))
    for one in instances(review.document):
        node = nodes[f"{one['rule']['id']}.{one['fingerprint'][3:]}"]
        words = {"critical": "[ERROR]", "warning": "[WARNING]", "info": "[WARNING]"}
        assert (node.get("role"), node.get("flag")) == (words[one["severity"]], one["severity"])
        (rule,) = node.xpath("preceding-sibling::svrl:fired-rule[1]/@id", namespaces=NAMES)
        assert rule == one["rule"]["id"]
        text = node.findtext("svrl:text", namespaces=NAMES)
        assert text.startswith(one["title"])
        assert one["message"] in text, "the instance's own"
        assert one["remediation"] in text
        assert diagnostics(node, "tell-now") == ([one["tell_now"]] if "tell_now" in one else [])
        assert diagnostics(node, "concern") == [one["concern"]]
        places = diagnostics(node, "place")
        assert len(places) == len(one["pointers"])
        for said, place in zip(places, one["pointers"], strict=True):
            assert place["label"] in said
            assert place["pointer"] in said
            assert place.get("missing", "") in said
    texts = [each.text for each in found(root, "svrl:text")]
    assert texts[-len(review.document["cautions"]) :] == review.document["cautions"]
    for group in review.document["not_assessable"]:
        said = f"Cannot be assessed: {', '.join(rule['id'] for rule in group['rules'])}"
        assert sum(text.endswith(said) for text in texts) == 1
    told = [text.partition(": ")[2] for text in texts if text.startswith("Tell now (")]
    assert told == [line["text"] for line in review.document["tell_now"]]
    for entry in review.document["unjudged"]:
        assert f"Unjudged ({entry['severity']}, {entry['rule']['id']}): {entry['message']}" in texts
    assert review.document["patient"]["text"] in texts


def test_accepted_disputed_switched_off_and_notices_are_said() -> None:
    review = review_of(demo("child-ketamine"))
    finding = review.document["findings"][0]
    notice = {
        "code": "deciders-disagree",
        "severity": "critical",
        "text": "Engine and evaluator disagree.",
        "pointers": ["/sedation/doses/0"],
    }
    switch = {"rule": "RR-1045", "reason": "No harness aboard.", "owner": "Director", "ends": "2031-12-31"}
    more = {"notices": [notice], "off": [switch], "accepted": [_accepted(finding)], "findings": []}
    root = tree(dataclasses.replace(review, document=review.document | more))
    assert grammar().validate(root)
    assert [each.get("flag") for each in found(root, "//svrl:successful-report")] == [finding["severity"]]
    assert not found(root, "//svrl:failed-assert")
    texts = " ".join(each.text for each in found(root, "svrl:text"))
    assert "Notice (critical, deciders-disagree): Engine and evaluator disagree. At: /sedation/doses/0" in texts
    assert "RR-1045 is switched off until 2031-12-31 by Director: No harness aboard." in texts
    assert "zq7canary" not in etree.tostring(root, encoding="unicode")
    one = finding["instances"][0] | {"disputed": True}
    disputed = review.document | {"findings": [finding | {"instances": [one]}]}
    root = tree(dataclasses.replace(review, document=disputed))
    assert found(root, "//svrl:diagnostic-reference[@diagnostic='disputed']")


def _accepted(finding: dict[str, Any]) -> dict[str, Any]:
    return finding | {"instances": [one | {"reason": "zq7canary", "by": "zq7canary"} for one in finding["instances"]]}


def test_fatal_is_never_said() -> None:
    assert b"[FATAL]" not in svrl.render(review_of(demo("everything-wrong")))


def test_locations_resolve_in_the_chart_that_was_sent() -> None:
    review, body = xml_review()
    assert review.intake.language == "xpath"
    root, sent = tree(review), etree.fromstring(body)
    schema = grammar()
    assert schema.validate(root), schema.error_log
    (prefix,) = found(root, "svrl:ns-prefix-in-attribute-values")
    names = {prefix.get("prefix"): prefix.get("uri")}
    nodes = found(root, "//svrl:failed-assert")
    assert len(nodes) == len(instances(review.document)) > 0
    for node in nodes:
        elements = node.xpath(".//nem:nemsisDiagnostic/nem:elements/nem:element/@location", namespaces=NAMES)
        assert node.get("location") in elements
        for location in elements:
            assert len(sent.xpath(location, namespaces=names)) == 1, location
    assert len(sent.xpath(found(root, "//svrl:fired-rule/@context")[0], namespaces=names)) == 1


@pytest.mark.parametrize("name", demo_names())
def test_same_bytes_from_another_build_of_the_review(name: str) -> None:
    assert svrl.render(review_of(demo(name))) == svrl.render(review_of(demo(name)))
