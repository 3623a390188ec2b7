"""Our own JSON episode: bytes -> parsed value -> checked by marshmallow -> frozen objects with pointers.

``fast_reader`` takes a short cut for bodies in which nothing is wrong.
"""

from __future__ import annotations

import difflib
import functools
import hashlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

import orjson
from marshmallow import RAISE, Schema, ValidationError
from marshmallow import fields as mf

from service.episode import declaration, record
from service.episode.absence import MISSING, NOT_COLLECTED, Absent
from service.episode.declaration import MOST_ITEMS, MOST_ITEMS_IN_ALL
from service.episode.moment import Moment
from service.problems import MOST_ERRORS, ProblemItem, Rejected, pointer_order

from . import fast_reader, fields, strict_json

_TOP_ONLY = tuple(fast_reader.ASIDE)


@dataclass(frozen=True, slots=True)
class Acceptance:
    """A finding the caller has looked at and accepted, with a reason."""

    fingerprint: str
    reason: str


@dataclass(frozen=True, slots=True)
class Notice:
    """Something that the caller should know about how the body was read. ``pointer`` resolves in that body."""

    code: str
    detail: str
    pointer: str = ""


@dataclass(frozen=True, slots=True)
class Intake:
    """What a reader of any format hands on.

    ``digest``: ``v1:`` and the SHA-256 of the canonical JSON, without
    ``accepted``. ``language``: how places in the document that was sent are
    told: ``pointer`` (RFC 6901), ``fhirpath`` or ``xpath``. For the last two
    ``places`` maps pointers of our episode to expressions that resolve in
    that document; ``""`` is always among them.
    """

    episode: record.Episode
    accepted: tuple[Acceptance, ...]
    notices: tuple[Notice, ...]
    digest: str
    language: str = "pointer"
    places: Mapping[str, str] = field(default_factory=dict)

    def locate(self, pointer: str) -> str:
        """Where a place of our episode stands in the document that was sent: itself, else the nearest place around it."""
        if self.language == "pointer":
            return pointer
        while pointer and pointer not in self.places:
            pointer = pointer.rsplit("/", 1)[0]
        return self.places[pointer]


class _Strict(Schema):
    """Refuses unknown members, and answers with our codes instead of marshmallow's sentences."""

    error_messages = {"unknown": "unknown-member", "type": "not-an-object"}

    class Meta:
        unknown = RAISE


_SCHEMAS: dict[type, Schema] = {}


def _field(spec: declaration.Kind) -> mf.Field[Any]:
    match spec:
        case declaration.Int():
            return fields.Whole(spec)
        case declaration.Num():
            return fields.Number(spec)
        case declaration.Flag():
            return fields.Flag()
        case declaration.Code():
            return fields.Word(spec)
        case declaration.Codes():
            return fields.Words(spec)
        case declaration.Time():
            return fields.AwareTime()
        case declaration.Ident():
            return fields.Ident()
        case declaration.Text():
            return fields.Text(spec)
        case declaration.Items():
            return fields.Items(_nested(spec.of), spec.may_be_none)
        case declaration.Part():
            return fields.Part(_nested(spec.of), spec.may_be_none)
    raise TypeError(type(spec).__name__)


def _nested(cls: type) -> mf.Nested:
    return mf.Nested(schema_of(cls), error_messages={"null": "null-refused", "type": "not-an-object"})


def schema_of(cls: type) -> Schema:
    """The marshmallow schema of a class of the record; one instance a process."""
    if cls not in _SCHEMAS:
        made: dict[str, Any] = {}
        for member in declaration.members(cls):
            inner = _field(member.kind)
            if member.required:
                inner.required = True
                made[member.name] = inner
            else:
                made[member.name] = fields.OrAbsent(inner)
        if cls is record.Episode:
            made |= {"not_collected": mf.Raw(), "accepted": mf.Raw()}
        made["extensions"] = mf.Raw()
        _SCHEMAS[cls] = type(f"{cls.__name__}Schema", (_Strict,), made)()
    return _SCHEMAS[cls]


# ---------------------------------------------------------------- before marshmallow: sizes


def _lists(value: Any, cls: type, at: str) -> Iterator[tuple[str, int]]:
    """(pointer, length) of every declared list of the body, whatever else is wrong with the body."""
    if type(value) is not dict:
        return
    for member in declaration.members(cls):
        inner = value.get(member.name)
        if isinstance(member.kind, declaration.Items) and type(inner) is list:
            yield f"{at}/{member.name}", len(inner)
            if len(inner) <= MOST_ITEMS:
                for index, item in enumerate(inner):
                    yield from _lists(item, member.kind.of, f"{at}/{member.name}/{index}")
        elif isinstance(member.kind, declaration.Part):
            yield from _lists(inner, member.kind.of, f"{at}/{member.name}")


def _check_sizes(body: dict[str, Any]) -> None:
    total, slips = 0, []
    for pointer, length in _lists(body, record.Episode, ""):
        total += length
        if length > MOST_ITEMS:
            slips.append(_item("too-many-items", pointer))
    for name in ("not_collected", "accepted"):
        if type(body.get(name)) is list and len(body[name]) > MOST_ITEMS:
            slips.append(_item("too-many-items", f"/{name}"))
    if total > MOST_ITEMS_IN_ALL and not slips:
        slips.append(_item("too-many-items-in-all", ""))
    if slips:
        raise Rejected(422, "too-many-items", slips)


# ---------------------------------------------------------------- marshmallow's answer as problems


def _item(code: str, pointer: str, detail: str | None = None) -> ProblemItem:
    return ProblemItem(code, detail or fields.DETAILS[code], pointer=pointer)


def _nearest(name: str, cls: type) -> str:
    if cls is record.Episode and name == "resourceType":
        return "This is a FHIR resource: send it with the media type application/fhir+json."
    known = [m.name for m in declaration.members(cls)] + (list(_TOP_ONLY) if cls is record.Episode else ["extensions"])
    close = difflib.get_close_matches(name[:80].lower(), known, n=3, cutoff=0.6)
    return "This object has a member that is not known." + (f" Nearest known: {', '.join(close)}." if close else "")


def _kind(cls: type | None, name: str) -> declaration.Kind | None:
    return next((m.kind for m in declaration.members(cls) if m.name == name), None) if cls else None


def _inner_class(cls: type | None, name: str) -> type | None:
    for member in declaration.members(cls) if cls else ():
        if member.name == name and isinstance(member.kind, (declaration.Items, declaration.Part)):
            return member.kind.of
    return None


def _detail(code: str, spec: declaration.Kind | None) -> str | None:
    """The text of a code with the words or bounds of the member, where it has any; never anything of the request."""
    if code == "unknown-word" and isinstance(spec, (declaration.Code, declaration.Codes)):
        return f"{fields.DETAILS[code]} Words: {', '.join(spec.words)}."
    if code == "out-of-range" and isinstance(spec, (declaration.Int, declaration.Num)):
        return f"{fields.DETAILS[code]} From {spec.low:g} to {spec.high:g}{f' {spec.unit}' if spec.unit else ''}."
    return None


@dataclass(frozen=True, slots=True)
class _Slip:
    """One place that is wrong. For an unknown member: its ``name`` and the ``cls`` it is in, and no ``detail`` yet."""

    pointer: str
    code: str
    detail: str = ""
    name: str = ""
    cls: type = record.Episode

    def item(self) -> ProblemItem:
        """What the caller reads."""
        return _item(self.code, self.pointer, self.detail or _nearest(self.name, self.cls))


def _flatten(messages: Any, cls: type | None, at: str, spec: declaration.Kind | None = None) -> Iterator[_Slip]:
    if isinstance(messages, dict):
        for key, inner in messages.items():
            if inner == ["unknown-member"] and cls is not None and isinstance(key, str):
                yield _Slip(at, "unknown-member", name=key, cls=cls)
            elif key == "_schema":
                yield from _flatten(inner, cls, at)
            elif isinstance(key, int):
                yield from _flatten(inner, cls, f"{at}/{key}", spec)
            elif inner == ["missing-member"]:
                # A required member that is not there has no place of its own: point at its object.
                yield _Slip(at, "missing-member", f"{fields.DETAILS['missing-member']} Name: {key}.")
            else:
                yield from _flatten(inner, _inner_class(cls, key), f"{at}/{key}", _kind(cls, key))
    else:
        for code in messages:
            known = code if code in fields.DETAILS else "not-an-object"
            yield _Slip(at, known, _detail(known, spec) or fields.DETAILS[known])


def _load(body: dict[str, Any]) -> dict[str, Any]:
    try:
        return dict(schema_of(record.Episode).load(body))
    except ValidationError as error:
        # marshmallow tells unknown members from a set, whose order differs between runs.
        found = sorted(
            _flatten(error.messages, record.Episode, ""),
            key=lambda s: (pointer_order(s.pointer), s.code, s.detail, s.name),
        )
        # Finding the nearest known names is slow, and a body can have many thousand unknown members: only for those shown.
        raise Rejected(422, "invalid-episode", [slip.item() for slip in found[:MOST_ERRORS]], len(found)) from None


# ---------------------------------------------------------------- what the system has no place for

_Trie = dict[str, Any]


def _path_exists(parts: list[str], cls: type) -> bool:
    member = next((m for m in declaration.members(cls) if parts and m.name == parts[0]), None)
    if member is None:
        return False
    rest = parts[1:]
    if not rest:
        return not member.required
    if isinstance(member.kind, declaration.Items):
        return rest[0] == "*" and len(rest) > 1 and _path_exists(rest[1:], member.kind.of)
    return isinstance(member.kind, declaration.Part) and _path_exists(rest, member.kind.of)


def _trie(paths: Any) -> _Trie:
    if type(paths) is not list:
        raise Rejected(422, "invalid-episode", [_item("not-a-list", "/not_collected")])
    out: _Trie = {}
    slips = []
    for index, path in enumerate(paths):
        parts = path.split("/")[1:] if type(path) is str and path.startswith("/") and len(path) < 200 else []
        if not _path_exists(parts, record.Episode):
            slips.append(_item("unknown-path", f"/not_collected/{index}"))
            continue
        node = out
        for part in parts:
            node = node.setdefault(part, {})
        node[""] = True
    if slips:
        raise Rejected(422, "invalid-episode", slips)
    return out


@functools.lru_cache(maxsize=32)
def _table(paths: tuple[str, ...]) -> _Trie:
    """``_trie`` of the table of a format: the tables are long, and there are few of them."""
    return _trie(list(paths))


# ---------------------------------------------------------------- into objects


class _Builder:
    def __init__(self) -> None:
        self.notices: list[Notice] = []
        self.slips: list[ProblemItem] = []

    def node(self, cls: type, data: dict[str, Any], at: str, absent: _Trie) -> Any:
        """One object; members left out become MISSING or, where ``absent`` names them, NOT_COLLECTED."""
        if data.get("none") is True:
            return declaration.none_of(cls, at)
        out: dict[str, Any] = {"at": at}
        for member in declaration.members(cls):
            name = member.name
            listed = absent.get(name) or {}
            value = data.get(name, MISSING)
            if value is MISSING:
                if "" in listed:
                    value = NOT_COLLECTED
            elif isinstance(value, Absent):
                pass
            else:
                if "" in listed:
                    self.notices.append(
                        Notice(
                            "sent-although-not-collected",
                            "Listed in not_collected and sent all the same; the value counts.",
                            f"{at}/{name}",
                        )
                    )
                if isinstance(member.kind, declaration.Part):
                    value = self.node(member.kind.of, value, f"{at}/{name}", listed)
                elif isinstance(member.kind, declaration.Items):
                    value = self.items(member.kind.of, value, f"{at}/{name}", listed.get("*", {}))
            out[name] = value
        if cls is record.VitalSet:
            self._check_score(out)
        if cls is record.Age and out["unit"] == "a" and out["value"] > 89:
            out["value"] = 90
        return cls(**out)

    def items(self, cls: type, data: list[dict[str, Any]], at: str, absent: _Trie) -> tuple[Any, ...]:
        """A list of objects; an id that stands in it twice is a slip."""
        out = []
        seen: set[str] = set()
        for index, item in enumerate(data):
            here = f"{at}/{index}"
            ident = item.get("id", MISSING)
            if isinstance(ident, str):
                if ident in seen:
                    self.slips.append(_item("duplicate-id", f"{here}/id"))
                seen.add(ident)
            out.append(self.node(cls, item, here, absent))
        return tuple(out)

    def _check_score(self, vital: dict[str, Any]) -> None:
        scale, score = vital["agitation_scale"], vital["agitation_score"]
        if isinstance(scale, str) and isinstance(score, int):
            low, high = fields.SCORES[scale]
            if not low <= score <= high:
                self.slips.append(_item("score-out-of-scale", f"{vital['at']}/agitation_score"))


def _accepted(value: Any) -> tuple[Acceptance, ...]:
    if type(value) is not list:
        raise Rejected(422, "invalid-episode", [_item("not-a-list", "/accepted")])
    out: list[Acceptance] = []
    slips = []
    for index, entry in enumerate(value):
        at = f"/accepted/{index}"
        if type(entry) is not dict or set(entry) != {"fingerprint", "reason"}:
            slips.append(ProblemItem("not-an-object", "Give an object with fingerprint and reason.", pointer=at))
            continue
        mark, reason = entry["fingerprint"], entry["reason"]
        if type(mark) is not str or not mark.startswith("v1:") or len(mark) > 80:
            slips.append(_item("not-a-fingerprint", f"{at}/fingerprint"))
        elif type(reason) is not str or not reason.strip():
            slips.append(_item("not-text", f"{at}/reason"))
        elif len(reason) > 500:
            slips.append(_item("too-long", f"{at}/reason"))
        elif mark in {known.fingerprint for known in out}:
            slips.append(_item("same-fingerprint-twice", f"{at}/fingerprint"))
        else:
            out.append(Acceptance(mark, reason))
    if slips:
        raise Rejected(422, "invalid-episode", slips)
    return tuple(out)


def from_value(body: Any) -> Intake:
    """Read a parsed JSON body, strictly. Raises Rejected (422) with at most 50 places."""
    if type(body) is not dict:
        raise Rejected(422, "invalid-episode", [_item("not-an-object", "")])
    _check_sizes(body)
    data = _load(body)
    for name in ("not_collected", "accepted"):
        if name in body and body[name] is None:
            raise Rejected(422, "invalid-episode", [_item("null-refused", f"/{name}")])
    absent = _trie(body.get("not_collected", []))
    accepted = _accepted(body.get("accepted", []))
    builder = _Builder()
    episode = builder.node(record.Episode, data, "", absent)
    if builder.slips:
        raise Rejected(422, "invalid-episode", builder.slips)
    rest = {name: value for name, value in body.items() if name != "accepted"}
    return Intake(episode, accepted, tuple(builder.notices), _digest(strict_json.canonical(rest)))


def from_made(body: dict[str, Any]) -> Intake:
    """Read a value that a reader of another format has built. Raises Rejected (422) with at most 50 places.

    Its ``not_collected`` is the table of what that format has no place for.
    """
    try:
        text = orjson.dumps(body)
    except TypeError:  # a number that orjson does not write
        return from_value(body)
    return _read_fast(text, made=True) or from_value(body)


def _read_fast(body: bytes, made: bool = False) -> Intake | None:
    """The episode of a body in which nothing is wrong, None for any other. ``made``: another reader of ours built it."""
    parsed = fast_reader.parse(body)
    if parsed is None:
        return None
    paths = parsed.aside.get("not_collected", [])
    try:
        absent = _table(tuple(paths)) if made else _trie(paths)
        accepted = _accepted(parsed.aside["accepted"]) if "accepted" in parsed.aside else ()
    except Rejected:
        return None
    episode = fast_reader.episode(parsed, absent)
    return None if episode is None else Intake(episode, accepted, (), _digest(parsed.written))


def _digest(written: bytes) -> str:
    return "v1:" + hashlib.sha256(written).hexdigest()


def read(body: bytes) -> Intake:
    """Read the bytes of one JSON episode. Raises Rejected (400, 422)."""
    return _read_fast(body) or from_value(strict_json.loads(body))


def first_time(node: Any) -> Moment | None:
    """The first charted time in the order of the members, or None; its offset is the one the record is shown in."""
    for name in declaration.shape(node.__class__).timed:
        value = getattr(node, name)
        if isinstance(value, Moment):
            return value
        inner = value if isinstance(value, tuple) else (value,)
        for item in inner:
            if isinstance(item, declaration.Node):
                found = first_time(item)
                if found is not None:
                    return found
    return None
