"""A review as SVRL, the report language of Schematron (ISO/IEC 19757-3, Annex D), for systems that read it already.

Every rule that is on is a ``fired-rule`` with its outcome as ``role``, so that
a rule which could not be assessed does not read like one that passed. After it
comes a ``failed-assert`` for each instance of its finding, or a
``successful-report`` for each that the sender has accepted. ``flag`` is our own
severity. What to tell at once, what stays unjudged, notices, switched-off
rules, counts and cautions are ``text``.

The ``role`` of an assert is ``[ERROR]`` for critical, ``[WARNING]`` for warning
and info. ``[FATAL]`` is never used: it tells a receiver to refuse the record,
and nobody should be pushed to change an entry to get a chart through.

Two findings of one rule may not share an ID in one document (xsd:ID), so an
assert is ``<rule id>.<fingerprint>``.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any
from xml.etree import ElementTree as ET

from service.checkpoint import Checkpoint, never
from service.formats.nemsis.codes import NEMSIS
from service.formats.nemsis.tree import PREFIX
from service.review.build import Review

from .texts import cause, counted, limits, sources

SVRL = "http://purl.oclc.org/dsdl/svrl"
_WORDS = {"critical": "[ERROR]", "warning": "[WARNING]", "info": "[WARNING]"}

# The prefixes under which the document is written.
ET.register_namespace("svrl", SVRL)
ET.register_namespace(PREFIX, NEMSIS)


def render(review: Review, checkpoint: Checkpoint = never) -> bytes:
    """The document in UTF-8. ``location`` is an XPath for a chart that came as XML (prefix ``nem``), a JSON
    Pointer or FHIRPath for the others; every place of a finding stands in its diagnostics too."""
    document = review.document
    versions = document["versions"]
    root = ET.Element(_name("schematron-output"), {"title": "restraint-review", "schemaVersion": versions["ruleset"]})
    for text in _texts(document):
        _text(root, text)
    if review.intake.language == "xpath":
        ET.SubElement(root, _name("ns-prefix-in-attribute-values"), {"prefix": PREFIX, "uri": NEMSIS})
    ET.SubElement(root, _name("active-pattern"), {"id": "restraint-review", "name": f"profile {versions['profile']}"})
    failed = {finding["rule"]["id"]: finding for finding in document["findings"]}
    accepted = {finding["rule"]["id"]: finding for finding in document["accepted"]}
    whole = review.intake.locate("")
    for rule, outcome in review.outcomes.items():
        ET.SubElement(root, _name("fired-rule"), {"id": rule, "context": whole, "role": outcome})
        for tag, findings in (("failed-assert", failed), ("successful-report", accepted)):
            for instance in findings[rule]["instances"] if rule in findings else ():
                checkpoint()
                _instance(root, tag, findings[rule], instance, review)
    ET.indent(root, " ")
    return bytes(ET.tostring(root, encoding="utf-8", xml_declaration=True)) + b"\n"


def _texts(document: Mapping[str, Any]) -> Iterable[str]:
    versions = document["versions"]
    yield counted(document)
    yield f"Record {document['episode_ref']}, input {document['input_digest']}."
    yield f"Ruleset digest {versions['ruleset_digest']}, profile digest {versions['profile_digest']}, service {versions['service']}."
    yield document["patient"]["text"]
    for line in document["tell_now"]:
        yield f"Tell now ({line['rule'] or 'no rule'}): {line['text']}"
    for entry in document["unjudged"]:
        rule = entry["rule"]["id"] if entry["rule"] else "no rule"
        yield f"Unjudged ({entry['severity']}, {rule}): {entry['message']}"
    for notice in document["notices"]:
        at = f" At: {', '.join(notice['pointers'])}" if any(notice["pointers"]) else ""
        yield f"Notice ({notice['severity']}, {notice['code']}): {notice['text']}{at}"
    for switch in document["off"]:
        yield f"{switch['rule']} is switched off until {switch['ends']} by {switch['owner']}: {switch['reason']}"
    for group in document["not_assessable"]:
        yield cause(group)
    yield from document["cautions"]


def _instance(
    root: ET.Element, tag: str, finding: Mapping[str, Any], instance: Mapping[str, Any], review: Review
) -> None:
    language = review.intake.language
    rule, places = finding["rule"], instance["pointers"]
    node = ET.SubElement(
        root,
        _name(tag),
        {
            "id": f"{rule['id']}.{instance['fingerprint'].partition(':')[2]}",
            "location": places[0][language] if places else review.intake.locate(""),
            "test": f"{rule['id']} {rule['name']}",
            "role": _WORDS[finding["severity"]],
            "flag": finding["severity"],
        },
    )
    _text(node, f"{finding['title']}. {instance['message']} {finding['remediation']}")
    if language == "xpath":
        # The shape in which NEMSIS names the elements of a finding. Ids of agency and record are left out: none is kept.
        holder = ET.SubElement(
            ET.SubElement(node, _name("diagnostic-reference"), {"diagnostic": "nemsisDiagnostic"}),
            f"{{{NEMSIS}}}nemsisDiagnostic",
        )
        elements = ET.SubElement(holder, f"{{{NEMSIS}}}elements")
        for place in dict.fromkeys(each[language] for each in places):
            ET.SubElement(elements, f"{{{NEMSIS}}}element", {"location": place})
    for name, text in _diagnostics(finding, instance, language):
        ET.SubElement(node, _name("diagnostic-reference"), {"diagnostic": name}).text = text


def _diagnostics(finding: Mapping[str, Any], instance: Mapping[str, Any], language: str) -> Iterable[tuple[str, str]]:
    if "tell_now" in finding:
        yield "tell-now", finding["tell_now"]
    yield "why", finding["why"]
    if finding["parameters"]:
        yield "limits", limits(finding)
    if instance["span"]:
        yield "span", f"{instance['span']['from']} to {instance['span']['to']}"
    for place in instance["pointers"]:
        chars = f", characters {place['chars']['from']} to {place['chars']['to']}" if "chars" in place else ""
        missing = f", missing {place['missing']}" if "missing" in place else ""
        yield "place", f"{place['label']}{chars}: {place[language] or '(the whole record)'}{missing}"
    yield "sources", sources(finding)
    yield "handled-by", finding["handled_by"]
    yield "concern", finding["concern"]
    if finding["story"] is not None:
        yield "story", str(finding["story"])
    if instance.get("disputed"):
        yield "disputed", "Engine and evaluator disagree about this finding; it is shown all the same."


def _text(parent: ET.Element, text: str) -> None:
    ET.SubElement(parent, _name("text")).text = text


def _name(tag: str) -> str:
    return f"{{{SVRL}}}{tag}"
