"""What each format can say and where, as data for ``GET /v1/formats``.

Where a member stands in a format is not written down by hand: the readers read
the example documents of ``service/formats/examples`` and the demo episodes, and
the places that they give are shown. A test holds that the examples bring every
member that a format carries, and no other.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from service.checkpoint import never
from service.episode import declaration, pointers
from service.episode.absence import Absent
from service.episode.moment import Moment
from service.formats.fhir import carried as fhir_carried
from service.formats.fhir import codes as fhir_codes
from service.formats.fhir import profile
from service.formats.fhir import read as fhir_reader
from service.formats.fhir import write as fhir_writer
from service.formats.media_types import FHIR, JSON, NAMES, NEMSIS
from service.formats.nemsis import carried as nemsis_carried
from service.formats.nemsis import codes as nemsis_codes
from service.formats.nemsis import mapping
from service.formats.nemsis import read as nemsis_reader
from service.formats.nemsis.write import custom_id, title
from service.intake import episode_json
from service.intake.not_collected import PATHS
from service.intake.result import Intake
from service.review.build import CAUTIONS

_INDEX = re.compile(r"/\d+(?=/|$)")
_STEP = re.compile(r"\[\d+\]")
_RESOURCE = re.compile(r"Bundle\.entry\[(\d+)\]\.resource\.?(.*)")
_EXAMPLE_POINTER = "/handover/time"

#: Media type of an answer -> what it is, and how places stand in it.
OUTPUTS: dict[str, tuple[str, str]] = {
    "application/json": (
        "The review, as in the contract.",
        "Each of the pointers has pointer (into our JSON) and, for the other formats, fhirpath or xpath.",
    ),
    "application/fhir+json": (
        "OperationOutcome, one issue a finding; with ?resources=true a Bundle that adds a DetectedIssue for each "
        "safety finding and a Provenance.",
        "The element expression (FHIRPath) where the chart came as FHIR; the extension finding-place for every input.",
    ),
    "application/xml": (
        "SVRL, the report language of Schematron: one failed-assert a finding.",
        "The attribute location; for NEMSIS an XPath with the prefix nem, and every place in nemsisDiagnostic.",
    ),
    "text/html": ("A page for people, without script.", "Places stand under each finding."),
}
#: Language of the places of a format -> what it is called.
_PLACES = {
    "pointer": "JSON Pointer (RFC 6901) into the episode",
    "fhirpath": "FHIRPath from the Bundle",
    "xpath": "XPath 1.0 with the prefix nem for http://www.nemsis.org",
}


@dataclass(frozen=True, slots=True)
class Examples:
    """The service's own example documents as bytes. ``episodes``: JSON episodes that together have every member."""

    episodes: tuple[bytes, ...]
    fhir: bytes
    nemsis: bytes
    custom: bytes
    mapping: bytes


def document(examples: Examples, judged_by: Mapping[str, Sequence[str]]) -> dict[str, Any]:
    """The answer of ``GET /v1/formats`` as plain data; the shape is in the contract. ``judged_by``: rules of each path."""
    plain_fhir = fhir_reader.read(examples.fhir)
    plain_nemsis = [read(never) for read in nemsis_reader.Reader().read_all(examples.nemsis)]
    episode = episode_json.read(examples.episodes[0])
    return {
        "inputs": [
            _input("json", (JSON,), episode, ()),
            _input("fhir", (FHIR,), plain_fhir, fhir_carried.EVERY_NOT_CARRIED),
            _input("nemsis", (NEMSIS, "text/xml"), plain_nemsis[0], nemsis_carried.EVERY_NOT_CARRIED),
        ],
        "outputs": [
            {"media_type": media_type, "is": what, "places": places} for media_type, (what, places) in OUTPUTS.items()
        ],
        "not_collected": list(PATHS),
        "members": list(_members(examples, plain_fhir, plain_nemsis, judged_by)),
        "fhir_profile": _profile(examples),
        "nemsis_mapping": _mapping(examples),
        "nemsis_helpers": [{"element": name, "use": use} for name, use in nemsis_codes.HELPERS.items()],
        "codes": [*_fhir_tables(), *_nemsis_tables()],
        "examples": {"fhir": examples.fhir.decode(), "nemsis": examples.nemsis.decode()},
        "cautions": list(CAUTIONS),
    }


def _input(name: str, media_types: tuple[str, ...], example: Intake, left: Iterable[str]) -> dict[str, Any]:
    return {
        "format": name,
        "title": NAMES[media_types[0]],
        "media_types": list(media_types),
        "places": _PLACES[example.language],
        "example_place": example.locate(_EXAMPLE_POINTER),
        "not_collected": list(left),
    }


# ---------------------------------------------------------------- every member


def _members(
    examples: Examples, plain_fhir: Intake, plain_nemsis: list[Intake], judged_by: Mapping[str, Sequence[str]]
) -> Iterator[dict[str, Any]]:
    in_profile = [_of_profile(body) for body in examples.episodes]
    in_fhir = _gather([(plain_fhir, _fhir_place(json.loads(examples.fhir)))])
    in_nemsis = _gather([(intake, _nemsis_place) for intake in plain_nemsis])
    written = _gather(in_profile)
    for path, member in pointers.member_paths():
        kind = member.kind
        if isinstance(kind, declaration.Items | declaration.Part):
            continue
        yield {
            "path": path,
            "is": kind.doc,
            "holds": _holds(kind),
            "judged_by": list(judged_by.get(path, ())),
            "fhir": {
                "plain": in_fhir.get(path, []),
                "profile": [place for place in written.get(path, []) if "extension" not in place["element"]],
                "extension": _extension_of(path),
            },
            "nemsis": {"plain": in_nemsis.get(path, []), "custom": {"id": custom_id(path), "title": title(path)}},
        }


def _holds(kind: declaration.Kind) -> dict[str, Any]:
    """What a member may hold: its type, and words or bounds."""
    match kind:
        case declaration.Int() | declaration.Num():
            bounds = {"min": kind.low, "max": kind.high} | ({"unit": kind.unit} if kind.unit else {})
            return {"type": "integer" if isinstance(kind, declaration.Int) else "number", **bounds}
        case declaration.Code() | declaration.Codes():
            return {"type": "word" if isinstance(kind, declaration.Code) else "words", "words": list(kind.words)}
        case declaration.Flag():
            return {"type": "boolean"}
        case declaration.Time():
            return {"type": "time"}
        case declaration.Ident():
            return {"type": "id"}
        case declaration.Idents():
            return {"type": "ids"}
        case _:
            return {"type": "text"}


Place = dict[str, Any]


def _gather(read: Iterable[tuple[Intake, Callable[[str], Place | None]]]) -> dict[str, list[Place]]:
    """Member path -> every element that a reader took it from, in the order of the examples."""
    found: dict[str, list[Place]] = {}
    for intake, place_of in read:
        for pointer, at in intake.places.items():
            place = place_of(at)
            if place is not None and isinstance(pointers.resolve(intake.episode, pointer), Absent):
                # Charted there in words that the reader does not understand: neither a value nor missing.
                place["understood"] = False
            listed = found.setdefault(_INDEX.sub("/*", pointer), [])
            if place is not None and place not in listed:
                listed.append(place)
    return found


def _of_profile(body: bytes) -> tuple[Intake, Callable[[str], Place | None]]:
    """A JSON episode written as a Bundle of the profile and read back, and what tells its places."""
    bundle = fhir_writer.bundle(episode_json.read(body).episode)
    return fhir_reader.read(json.dumps(bundle).encode()), _fhir_place(bundle)


def _fhir_place(bundle: dict[str, Any]) -> Callable[[str], Place | None]:
    """A function from a FHIRPath to its resource type and elements without indexes, with the code of the resource or component."""

    def place(at: str) -> Place | None:
        found = _RESOURCE.fullmatch(at)
        if found is None:
            return None
        resource = bundle["entry"][int(found[1])]["resource"]
        path = ".".join(part for part in (resource["resourceType"], _STEP.sub("", found[2])) if part)
        holder = resource
        component = re.match(r"component\[(\d+)\]", found[2])
        if component:
            holder = resource["component"][int(component[1])]
        coded = next(iter(holder.get("code", {}).get("coding", ())), None) if component or _by_code(resource) else None
        if coded is None:
            return {"element": path}
        own = coded["system"].startswith(profile.BASE)
        code = {"system": coded["system"]} | ({} if own else {"code": coded["code"]})
        return {"element": path, "code": code}

    return place


def _by_code(resource: dict[str, Any]) -> bool:
    """Whether the code of a resource says what it is about; in other resources it is a value."""
    return resource["resourceType"] in ("Observation", "Procedure")


def _nemsis_place(at: str) -> Place:
    """An XPath as the name of its element."""
    return {"element": _STEP.sub("", at.rpartition("/nem:")[2])}


def _extension_of(path: str) -> str:
    """Where a member stands in the extensions of the profile: the name of the extension, then its parts."""
    steps = path.split("/")[1:]
    names = [step for step in steps if step != "*"]
    if len(names) == 1 and names[0] not in profile.SHAPES:
        return f"{profile.EPISODE}: {names[0]}"
    for length in range(len(names), 0, -1):
        slug = ".".join(names[:length])
        if slug in profile.SHAPES or slug in profile.SECTIONS:
            return f"{slug}: {' / '.join(names[length:])}"
    raise KeyError(path)


# ---------------------------------------------------------------- the profile and the mapping


def _profile(examples: Examples) -> dict[str, Any]:
    bundle = fhir_writer.bundle(episode_json.read(examples.episodes[0]).episode)
    limb = next(e["resource"] for e in bundle["entry"] if _written_as(e["resource"], "application.limbs"))
    stretcher = next(
        e for r in bundle["entry"] for e in r["resource"].get("extension", ()) if e["url"] == profile.url("stretcher")
    )
    return {
        "extension_url": profile.url("<name>"),
        "code_system": profile.system("<name>"),
        "whole": profile.url(profile.EPISODE),
        "lists": [
            {
                "list": shape.slug,
                "resource": shape.resource,
                "code": shape.code or {"system": profile.system(shape.slug), "code": shape.word or "item"},
                "times": [name for name in (shape.start, shape.end) if name],
                "by": shape.by,
            }
            for shape in profile.SHAPES.values()
        ],
        "sections": list(profile.SECTIONS),
        "example": {"limb": limb, "section": stretcher},
    }


def _written_as(resource: dict[str, Any], slug: str) -> bool:
    return any(each["url"] == profile.url(slug) for each in resource.get("extension", ()))


def _mapping(examples: Examples) -> dict[str, Any]:
    read = nemsis_reader.Reader().read(examples.custom)
    return {
        "setting": "RESTRAINT_REVIEW_MAPPINGS_DIR",
        "keys": dict(mapping.KEYS),
        "takes": list(mapping.TAKES),
        "picks": list(mapping.PICKS),
        "example": {
            "file": examples.mapping.decode(),
            "document": examples.custom.decode(),
            "read": [
                {"pointer": pointer, "value": value, "xpath": at}
                for pointer, at in sorted(read.places.items())
                if (value := _value_at(read.episode, pointer)) is not None
            ],
        },
    }


def _value_at(episode: Any, pointer: str) -> str | None:
    """The value a pointer leads to as text; None for objects, lists and what is absent."""
    here = pointers.resolve(episode, pointer)
    if isinstance(here, Moment):
        return here.when.isoformat()
    return here if isinstance(here, str) else None


# ---------------------------------------------------------------- codes


def _fhir_tables() -> Iterator[dict[str, Any]]:
    for name, table in vars(fhir_codes).items():
        if isinstance(table, fhir_codes.Table):
            yield {
                "format": "fhir",
                "table": name.lower().replace("_", " "),
                "codes": [
                    {"system": row.system, "code": row.code, "means": _means(row.means), "source": row.source}
                    for row in table.rows
                ],
                "texts": {text: _means(means) for text, means in table.texts.items()},
            }


def _nemsis_tables() -> Iterator[dict[str, Any]]:
    for element, table in (nemsis_codes.BY_ELEMENT | nemsis_codes.BY_ELEMENT_OF_OTHERS).items():
        yield {
            "format": "nemsis",
            "table": element,
            "codes": [
                {"code": code, "means": found.word, "source": found.source, **({"nearest": True} if found.near else {})}
                for code, found in table.items()
            ],
        }


def _means(value: Any) -> str:
    if isinstance(value, tuple):
        return " ".join(_means(each) for each in value)
    return {True: "yes", False: "no"}[value] if isinstance(value, bool) else str(value)
