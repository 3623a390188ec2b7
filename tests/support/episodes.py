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
