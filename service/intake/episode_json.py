"""Our own JSON episode: bytes -> parsed value -> checked by marshmallow -> frozen objects with pointers.

``fast_reader`` takes a short cut for bodies in which nothing is wrong.
"""

from __future__ import annotations

import hashlib
from dataclasses import replace
from typing import Any

from marshmallow import ValidationError

from service.checkpoint import Checkpoint, never
from service.episode import declaration, record
from service.episode.absence import MISSING, NOT_COLLECTED, Absent
from service.problems import Rejected

from . import fast_reader, fields, strict_json
from .accepted import read_accepted
from .not_collected import Trie, table, trie_of
from .result import Intake, Notice
from .schemas import schema_of
from .sizes import check_sizes
from .slips import Slip, of_messages, refuse, unknown_members


def read(body: bytes, checkpoint: Checkpoint = never) -> Intake:
    """Read the bytes of one JSON episode. Raises Rejected (400, 422)."""
    return _read_fast(body) or from_value(strict_json.loads(body), checkpoint)


def from_value(body: Any, checkpoint: Checkpoint = never) -> Intake:
    """Read a parsed JSON body, strictly. Raises Rejected (422)."""
    if type(body) is not dict:
        raise refuse([Slip("", "not-an-object", fields.DETAILS["not-an-object"])])
    check_sizes(body, checkpoint)
    data = _load(body, checkpoint)
    for name in ("not_collected", "accepted"):
        if name in body and body[name] is None:
            raise refuse([Slip(f"/{name}", "null-refused", "null says nothing. Leave the member out, or send a list.")])
    absent = trie_of(body.get("not_collected", []))
    accepted = read_accepted(body.get("accepted", []))
    builder = _Builder(checkpoint)
    episode = builder.node(record.Episode, data, "", absent)
    if builder.slips:
        raise refuse(builder.slips)
    rest = {name: value for name, value in body.items() if name != "accepted"}
    return Intake(episode, accepted, tuple(builder.notices), _digest(strict_json.canonical(rest)))


def _load(body: dict[str, Any], checkpoint: Checkpoint) -> dict[str, Any]:
    slips = unknown_members(body, checkpoint)
    try:
        data = dict(schema_of(record.Episode).load(body))
    except ValidationError as error:
        slips += of_messages(error.messages)
    if slips:
        raise refuse(slips)
    return data


def from_made(body: dict[str, Any], checkpoint: Checkpoint = never, *, stated: bool = False) -> Intake:
    """Take a value that a reader of another format has built; the digest is left to that reader. Raises Rejected (422).

    ``not_collected`` of the value is the table of what that format has no place for, and a member that came all the
    same counts. ``stated``: it is the sender's own list, and such a member is a notice.
    """
    paths = body.get("not_collected", [])
    if type(paths) is list and all(type(path) is str for path in paths):
        made = fast_reader.of_value(body, trie_of(paths) if stated else table(tuple(paths)), of_a_table=not stated)
        if made is not None:
            return Intake(made, (), (), "")
    intake = from_value(body, checkpoint)
    return intake if stated else replace(intake, notices=())


def _read_fast(body: bytes) -> Intake | None:
    """The episode of a body in which nothing is wrong, None for any other."""
    parsed = fast_reader.parse(body)
    if parsed is None:
        return None
    try:
        absent = trie_of(parsed.aside.get("not_collected", []))
        accepted = read_accepted(parsed.aside["accepted"]) if "accepted" in parsed.aside else ()
    except Rejected:
        return None
    episode = fast_reader.episode(parsed, absent)
    return None if episode is None else Intake(episode, accepted, (), _digest(parsed.written))


def _digest(written: bytes) -> str:
    return "v1:" + hashlib.sha256(written).hexdigest()


# ---------------------------------------------------------------- into objects


class _Builder:
    def __init__(self, checkpoint: Checkpoint) -> None:
        self._checkpoint = checkpoint
        self.notices: list[Notice] = []
        self.slips: list[Slip] = []

    def node(self, cls: type, data: dict[str, Any], at: str, absent: Trie) -> Any:
        """One object; members left out become MISSING or, where ``absent`` names them, NOT_COLLECTED."""
        if data.get("none") is True:
            return declaration.none_of(cls, at)
        out: dict[str, Any] = {"at": at}
        for member in declaration.members(cls):
            name = member.name
            listed = absent.get(name) or {}
            value = data.get(name, MISSING)
            if isinstance(member.kind, declaration.Text) and isinstance(value, str) and not value.strip():
                value = MISSING  # a blank text says nothing
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

    def items(self, cls: type, data: list[dict[str, Any]], at: str, absent: Trie) -> tuple[Any, ...]:
        """A list of objects; an id that stands in it twice is a slip."""
        out = []
        seen: set[str] = set()
        for index, item in enumerate(data):
            here = f"{at}/{index}"
            ident = item.get("id", MISSING)
            if isinstance(ident, str):
                if ident in seen:
                    self.slips.append(Slip(f"{here}/id", "duplicate-id", fields.DETAILS["duplicate-id"]))
                seen.add(ident)
            self._checkpoint()
            out.append(self.node(cls, item, here, absent))
        return tuple(out)

    def _check_score(self, vital: dict[str, Any]) -> None:
        scale, score = vital["agitation_scale"], vital["agitation_score"]
        if isinstance(scale, str) and isinstance(score, int):
            low, high = fields.SCORES[scale]
            if not low <= score <= high:
                detail = f"{fields.DETAILS['score-out-of-scale']} {scale}: from {low} to {high}."
                self.slips.append(Slip(f"{vital['at']}/agitation_score", "score-out-of-scale", detail))
