"""Checks of single members of a request, and the texts of what is wrong with them."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any, NoReturn

from service.problems import ProblemItem, Rejected

_DETAILS = {
    "not-an-object": "Give an object.",
    "not-a-list": "Give a list with at least one item.",
    "missing-member": "This member is required.",
    "not-text": "Give text that is not empty.",
    "not-a-uuid": "Give a UUID.",
    "not-a-time": "Give an RFC 3339 time with offset.",
    "unknown-hook": "This service answers no such hook; /cds-services lists those it answers.",
    "one-chart": "Give one of context.episode, context.bundle and prefetch.",
    "not-a-resource": "Give a FHIR resource, or a Bundle of them, or null for none.",
    "another-resource": "Give the one resource that this key reads.",
    "another-chart": "This is another id than the context has.",
    "unknown-outcome": "Give accepted or overridden.",
    "missing-prefetch": "This prefetch key was not sent. No FHIR server is called for it.",
    "incomplete-prefetch": "These are not all of the resources: the Bundle has a next page. No FHIR server is called for it.",
    "reference-not-sent": "This refers to a device or drug that was not sent. Send it contained, or with devices.",
    "profile-needs-bundle": "This encounter is written to the profile, which uses resources that no prefetch key brings. "
    "Send all of it as context.bundle to the chart-close hook.",
}
_UUID = re.compile(r"[0-9a-fA-F]{8}(-[0-9a-fA-F]{4}){3}-[0-9a-fA-F]{12}")


def member(value: Any, name: str) -> Any:
    """A member of a JSON value; None where there is none, or the value is no object."""
    return value.get(name) if type(value) is dict else None


def item(code: str, pointer: str) -> ProblemItem:
    """One place of the request that is wrong; ``pointer``: JSON Pointer."""
    return ProblemItem(code, _DETAILS[code], pointer=pointer)


def refuse(code: str, slips: list[ProblemItem]) -> NoReturn:
    """Raise Rejected (422)."""
    raise Rejected(422, code, slips)


def text(value: Mapping[str, Any], name: str, at: str, slips: list[ProblemItem]) -> None:
    """Add what is wrong with a member that must be text; ``at``: pointer of its object."""
    if name not in value:
        slips.append(item("missing-member", f"{at}/{name}"))
    elif type(value[name]) is not str or not value[name].strip():
        slips.append(item("not-text", f"{at}/{name}"))


def uuid(value: Mapping[str, Any], name: str, at: str, slips: list[ProblemItem]) -> None:
    """Add what is wrong with a member that must be a UUID; ``at``: pointer of its object."""
    if name not in value:
        slips.append(item("missing-member", f"{at}/{name}"))
    elif type(value[name]) is not str or not _UUID.fullmatch(value[name]):
        slips.append(item("not-a-uuid", f"{at}/{name}"))
