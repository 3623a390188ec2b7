"""Episodes for tests: the exemplary record to patch, a small record to build on, and their facts."""

from __future__ import annotations

import copy
import functools
import json
from collections.abc import Iterable
from typing import Any

from service.episode import declaration, record
from service.facts.fact import Fact, FactSheet
from service.facts.sheet import build
from service.intake import episode_json
from service.intake.result import Intake
from service.narrative.reader import Reader
from service.resources import demo_directory, rules_directory
from service.rulebook.narrative_files import load_narrative

Document = dict[str, Any]

#: Seconds of the epoch at minute 0 of ``clock``: 2031-04-12T18:00:00-06:00.
ZERO = 1933804800


def clock(minute: float, offset: str = "-06:00") -> str:
    """The RFC 3339 time so many minutes after 18:00 (at -06:00); parts of a minute give seconds."""
    seconds = round(minute * 60)
    hours, rest = divmod(18 * 3600 + seconds, 3600)
    return f"2031-04-12T{hours:02d}:{rest // 60:02d}:{rest % 60:02d}{offset}"


@functools.cache
def _exemplary_text() -> str:
    return (demo_directory() / "exemplary.json").read_text(encoding="utf-8")


def exemplary() -> Document:
    """A fresh copy of the record of care given well."""
    return dict(json.loads(_exemplary_text()))


def dangers_and_a_duty_unjudged() -> Document:
    """Low oxygen saturation and blood pressure at the last set; the sender has no place for actions and limb checks."""
    document = exemplary()
    document["monitoring"]["vitals"][-1].update(spo2=78, sbp=85, dbp=50)
    del document["monitoring"]["actions"], document["monitoring"]["limb_checks"]
    return document | {"not_collected": ["/monitoring/actions", "/monitoring/limb_checks"]}


def put(document: Any, pointer: str, value: Any) -> None:
    """Set the member or item at a JSON Pointer; the place of a list item must exist."""
    *path, last = pointer.split("/")[1:]
    for step in path:
        document = document[int(step) if isinstance(document, list) else step]
    document[int(last) if isinstance(document, list) else last] = value


def drop(document: Any, pointer: str) -> None:
    """Take out the member or item at a JSON Pointer."""
    *path, last = pointer.split("/")[1:]
    for step in path:
        document = document[int(step) if isinstance(document, list) else step]
    del document[int(last) if isinstance(document, list) else last]


def limb(
    side: str = "left", site: str = "wrist", on: float | None = 0, off: float | None = None, **more: Any
) -> Document:
    """One limb restraint, times in minutes of ``clock``."""
    item: Document = {"side": side, "site": site, "device": "soft_cloth", "applied_by": "ems"}
    if on is not None:
        item["on"] = clock(on)
    if off is not None:
        item["off"] = clock(off)
    return item | more


def check(minute: float, side: str = "left", site: str = "wrist", **more: Any) -> Document:
    """One limb check in which everything is well, unless said otherwise."""
    return {
        "side": side,
        "site": site,
        "time": clock(minute),
        "pulse": "present",
        "motor": "normal",
        "sensation": "normal",
    } | more


def vital(minute: float, **signs: Any) -> Document:
    """One set of vital signs."""
    return {"time": clock(minute), **signs}


def dose(
    minute: float, drug: str = "midazolam", amount: float = 5, unit: str = "mg", route: str = "im", **more: Any
) -> Document:
    """One dose."""
    return {"drug": drug, "time": clock(minute), "dose": amount, "unit": unit, "route": route} | more


def act(minute: float, action: str, **more: Any) -> Document:
    """One action taken."""
    return {"action": action, "time": clock(minute)} | more


def small(
    *,
    limbs: Iterable[Document] | None = None,
    contact: float | None = -10,
    handover: float | None = None,
    age: int | None = 40,
    **sections: Any,
) -> Document:
    """A record that holds little: contact, transfer of care, limbs, and whatever sections are given."""
    document: Document = {"episode_ref": "test-1"}
    if age is not None:
        document["patient"] = {"age": {"value": age, "unit": "a"}}
    if limbs is not None:
        document["application"] = {"limbs": list(limbs)}
    if contact is not None:
        document["transport"] = {"at_patient": clock(contact)}
    if handover is not None:
        document["handover"] = {"time": clock(handover)}
    for name, section in sections.items():
        if isinstance(section, dict) and isinstance(document.get(name), dict):
            document[name] |= section
        else:
            document[name] = section
    return document


@functools.cache
def narrative_reader() -> Reader:
    """What reads narratives by the shipped families."""
    reader, _, slips = load_narrative(rules_directory())
    assert reader is not None, slips
    return reader


def encoded(document: Any) -> bytes:
    """The bytes of a request."""
    return json.dumps(document, ensure_ascii=False).encode("utf-8")


def read(document: Any) -> Intake:
    """Through the reader of our own JSON."""
    return episode_json.read(encoded(document))


def sheet(document: Document) -> FactSheet:
    """All facts of a record."""
    return build(read(document).episode, narrative_reader())


def facts(document: Document, kind: str, key: str | None = None) -> list[Fact]:
    """The facts of one kind (and key), in order."""
    return [f for f in sheet(document).facts if f.kind == kind and key in (None, f.key)]


def one(document: Document, kind: str, key: str | None = None) -> Fact:
    """The only fact of a kind and key."""
    found = facts(document, kind, key)
    assert len(found) == 1, f"{len(found)} facts of {kind} {key}"
    return found[0]


# ---------------------------------------------------------------- a record with every member


def valid(spec: declaration.Kind) -> Any:
    """A value that the member's declaration allows."""
    match spec:
        case declaration.Int():
            return spec.low
        case declaration.Num():
            return spec.high
        case declaration.Flag():
            return True
        case declaration.Code():
            return spec.words[0]
        case declaration.Codes():
            return [spec.words[0]]
        case declaration.Time():
            return clock(0)
        case declaration.Ident():
            return "id-1"
        case declaration.Idents():
            return ["id-1"]
        case declaration.Text():
            return "text"
        case declaration.Items():
            return [full(spec.of)]
        case declaration.Part():
            return full(spec.of)
    raise TypeError(type(spec).__name__)


def full(cls: type = record.Episode) -> Document:
    """An object of a model class with every member in it, one item in every list."""
    return {member.name: valid(member.kind) for member in declaration.members(cls)}


def spine(pointer: str, cls: type = record.Episode) -> Document:
    """``full`` with nothing in it but what is required and the way to one place."""
    name, _, rest = pointer.removeprefix("/").partition("/")
    out: Document = {}
    for member in declaration.members(cls):
        if member.name == name:
            spec = member.kind
            if rest and isinstance(spec, declaration.Items):
                out[name] = [spine(rest.partition("/")[2], spec.of)]
            else:
                out[name] = spine(rest, spec.of) if rest and isinstance(spec, declaration.Part) else valid(spec)
        elif member.required:
            out[member.name] = valid(member.kind)
    return out


def places(
    cls: type = record.Episode, at: str = "", pattern: str = ""
) -> Iterable[tuple[str, str, declaration.Member]]:
    """Every member of ``full`` as (JSON Pointer, path with * for an item, declaration)."""
    for member in declaration.members(cls):
        here, path = f"{at}/{member.name}", f"{pattern}/{member.name}"
        yield here, path, member
        if isinstance(member.kind, declaration.Items):
            yield from places(member.kind.of, f"{here}/0", f"{path}/*")
        elif isinstance(member.kind, declaration.Part):
            yield from places(member.kind.of, here, path)


def changed(document: Document, pointer: str, value: Any) -> Document:
    """A copy with one place set."""
    out = copy.deepcopy(document)
    put(out, pointer, value)
    return out


def many_dangers() -> Document:
    """A chart full of dangers, most of them unanswered: every vital sign falls, prone and hobbled, officers' cuffs, a death."""
    document = exemplary()
    for name in ("actions", "observation", "breathing_checks", "capnography"):
        drop(document, f"/monitoring/{name}")
    for name in ("reassessments", "team"):
        drop(document, f"/{name}")
    signs: list[Document] = [
        {
            "spo2": 96,
            "rr": 22,
            "hr": 138,
            "sbp": 128,
            "dbp": 84,
            "etco2_mmhg": 36,
            "gcs_total": 15,
            "glucose_mg_dl": 96,
        },
        {
            "spo2": 93,
            "rr": 14,
            "hr": 120,
            "sbp": 96,
            "dbp": 60,
            "etco2_mmhg": 48,
            "gcs_total": 13,
            "temperature_c": 39.4,
        },
        {"spo2": 84, "rr": 8, "hr": 96, "sbp": 80, "dbp": 48, "etco2_mmhg": 58, "gcs_total": 9, "glucose_mg_dl": 48},
        {"spo2": 70, "rr": 4, "hr": 52, "sbp": 64, "dbp": 40, "etco2_mmhg": 70, "gcs_total": 6, "acvpu": "pain"},
        {"spo2": 78, "rr": 6, "hr": 44, "sbp": 70, "dbp": 42, "etco2_mmhg": 66, "gcs_total": 6, "acvpu": "pain"},
    ]
    document["monitoring"]["vitals"] = [
        vital(minute, id=f"v{n}", **each)
        for n, (minute, each) in enumerate(zip((14, 22, 30, 36, 42), signs, strict=True))
    ]
    document["monitoring"]["limb_checks"] = document["monitoring"]["limb_checks"][:3]
    document["postures"] = [
        {"id": "p1", "posture": "prone", "care": "this_unit", "start": clock(11), "end": clock(19)},
        {"id": "p2", "posture": "hobbled", "care": "this_unit", "start": clock(13), "end": clock(19)},
        {"id": "p3", "posture": "supine", "care": "this_unit", "start": clock(19), "end": clock(48)},
    ]
    document["custody"]["devices"] = [
        {"id": "k1", "device": "handcuffs", "site": "wrists_behind_back", "on": clock(-4)},
        {"id": "k2", "device": "hobble", "site": "ankles", "on": clock(13), "off": clock(19)},
    ]
    document["monitoring"]["events"] = [
        {"id": "e1", "event": "vomiting", "time": clock(24)},
        {"id": "e2", "event": "arrest", "time": clock(44)},
    ]
    document["injuries"] = {"death": {"died": True, "time": clock(47)}}
    return document
