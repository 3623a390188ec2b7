"""Findings that the caller has looked at and accepted, as they come beside an episode."""

from __future__ import annotations

import re
from typing import Any

from marshmallow import ValidationError

from service.episode import declaration

from . import fields
from .result import Acceptance
from .slips import Slip, refuse

_FINGERPRINT = re.compile(r"v1:[!-~]{1,77}")
_REQUIRED = {"fingerprint", "reason"}
_MEMBERS = {*_REQUIRED, "by", "at"}
_LONGEST_REASON = 500


def read_accepted(value: Any) -> tuple[Acceptance, ...]:
    """The acceptances of a body. Raises Rejected (422)."""
    if type(value) is not list:
        raise refuse([Slip("/accepted", "not-a-list", fields.DETAILS["not-a-list"])])
    out: list[Acceptance] = []
    seen: set[str] = set()
    slips: list[Slip] = []
    for index, entry in enumerate(value):
        at = f"/accepted/{index}"
        if type(entry) is not dict or not _REQUIRED <= entry.keys() <= _MEMBERS:
            slips.append(
                Slip(at, _misshapen(entry), "Give an object with fingerprint and reason, and by and at if you like.")
            )
            continue
        wrong = {name: code for name in entry if (code := _wrong(name, entry[name]))}
        if not wrong and entry["fingerprint"] in seen:
            wrong = {"fingerprint": "same-fingerprint-twice"}
        slips += [Slip(f"{at}/{name}", code, fields.DETAILS[code]) for name, code in wrong.items()]
        if not wrong:
            seen.add(entry["fingerprint"])
            out.append(Acceptance(entry["fingerprint"], entry["reason"], entry.get("by"), entry.get("at")))
    if slips:
        raise refuse(slips)
    return tuple(out)


def _misshapen(entry: Any) -> str:
    """The code of what is wrong with the members of an acceptance."""
    if type(entry) is not dict:
        return "not-an-object"
    return "missing-member" if entry.keys() <= _MEMBERS else "unknown-member"


def _wrong(name: str, value: Any) -> str | None:
    """The code of what is wrong with one member."""
    if type(value) is not str:
        return "not-a-fingerprint" if name == "fingerprint" else "not-text"
    match name:
        case "fingerprint":
            return None if _FINGERPRINT.fullmatch(value) else "not-a-fingerprint"
        case "reason":
            return "not-text" if not value.strip() else "too-long" if len(value) > _LONGEST_REASON else None
        case "by":
            return None if re.fullmatch(declaration.ID_PATTERN.strip("^$"), value) else "not-an-id"
    try:
        fields.read_time(value)
    except ValidationError as error:
        return str(error.messages[0])
    return None
