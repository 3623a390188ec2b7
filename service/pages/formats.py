"""The formats as a page: what to send, where every member stands, how to close the gaps, which codes are understood."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from typing import Any

from service.wording.headings import count, sentence
from service.wording.words import word

from . import html

#: Where the page is served.
HOME = "/v1/formats"

_SYSTEMS = {
    "http://snomed.info/sct": "SNOMED CT",
    "http://loinc.org": "LOINC",
    "http://www.nlm.nih.gov/research/umls/rxnorm": "RxNorm",
    "http://unitsofmeasure.org": "UCUM",
    "http://ncithesaurus-stage.nci.nih.gov": "NCIt",
    "http://terminology.hl7.org/CodeSystem/data-absent-reason": "data-absent-reason",
}


def sections_of(members: Iterable[Mapping[str, Any]]) -> dict[str, list[Mapping[str, Any]]]:
    """Section -> its members, in order; members of the episode itself under ``episode``."""
    found: dict[str, list[Mapping[str, Any]]] = {}
    for each in members:
        section, _, rest = each["path"][1:].partition("/")
        found.setdefault(section if rest else "episode", []).append(each)
    return found


def render_section(document: Mapping[str, Any], section: str) -> bytes:
    """The page of one section in UTF-8: every member, and where it stands in each format."""
    found = sections_of(document["members"])
    return html.page(
        "formats_section.html",
        home=HOME,
        section=section,
        sections=list(found),
        rows=[_row(each) for each in found[section]],
        count=count,
        sentence=sentence,
        word=word,
    )


def render(document: Mapping[str, Any]) -> bytes:
    """The page in UTF-8. ``document``: of ``representations.formats_document``."""
    mapping, profile = document["nemsis_mapping"], document["fhir_profile"]
    return html.page(
        "formats.html",
        inputs=[each | {"lacks": _sections(each["not_collected"])} for each in document["inputs"]],
        outputs=document["outputs"],
        not_collected=_sections(document["not_collected"]),
        home=HOME,
        sections=[(section, len(found)) for section, found in sections_of(document["members"]).items()],
        profile=profile | {"lists": [each | {"code": _code(each["code"])} for each in profile["lists"]]},
        profile_example=_json(profile["example"]["section"]),
        limb_example=_json(profile["example"]["limb"]),
        mapping=mapping,
        helpers=document["nemsis_helpers"],
        tables={name: [_table(t) for t in document["codes"] if t["format"] == name] for name in ("fhir", "nemsis")},
        examples=document["examples"],
        cautions=document["cautions"],
        count=count,
        sentence=sentence,
        word=word,
    )


def _row(each: Mapping[str, Any]) -> dict[str, Any]:
    return {
        "path": each["path"],
        "is": each["is"],
        "holds": _holds(each["holds"]),
        "judged_by": f"Judged by {count(len(each['judged_by']), 'rule')}",
        "plain_fhir": [_place(place) for place in each["fhir"]["plain"]],
        "profile": [_place(place) for place in each["fhir"]["profile"]],
        "extension": each["fhir"]["extension"],
        "nemsis": [_place(place) for place in each["nemsis"]["plain"]],
        "custom": each["nemsis"]["custom"]["id"],
    }


def _sections(paths: Iterable[str]) -> list[tuple[str, list[str]]]:
    found: dict[str, list[str]] = {}
    for path in paths:
        found.setdefault(path.split("/")[1], []).append(path)
    return list(found.items())


def _holds(value: Mapping[str, Any]) -> str:
    if "words" in value:
        return f"{'Any' if value['type'] == 'words' else 'One'} of: {', '.join(value['words'])}"
    if "min" in value:
        return f"{sentence(value['type'])}, {value['min']:g} to {value['max']:g} {value.get('unit', '')}".strip()
    return sentence(value["type"])


def _place(place: Mapping[str, Any]) -> tuple[str, str, bool]:
    """(element, by which code, whether its words are understood)."""
    return place["element"], _code(place["code"]) if "code" in place else "", place.get("understood", True)


def _code(code: Mapping[str, str]) -> str:
    system = _SYSTEMS.get(code["system"], code["system"].rpartition("/")[2])
    return f"{system} {code['code']}" if "code" in code else f"CodeSystem/{system}"


def _table(table: Mapping[str, Any]) -> dict[str, Any]:
    """A table of codes, with the codes of one meaning and source in one row."""
    rows: dict[tuple[str, str, str, bool], list[str]] = {}
    for each in table["codes"]:
        system = _SYSTEMS.get(each["system"], each["system"]) if "system" in each else ""
        key = (each["means"], system, each["source"], each.get("nearest", False))
        rows.setdefault(key, []).append(each["code"])
    memory = sum(each["source"] != "read" for each in table["codes"])
    return {
        "name": table["table"],
        "size": len(table["codes"]),
        "memory": memory,
        "rows": [(*key, " ".join(codes)) for key, codes in rows.items()],
        "texts": sorted(table.get("texts", {}).items()),
    }


def _json(value: Any) -> str:
    return json.dumps(value, indent=1, ensure_ascii=False)
