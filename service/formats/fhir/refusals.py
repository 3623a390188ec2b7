"""Why a Bundle is refused, and what in it changes the meaning of what stands there."""

from __future__ import annotations

from typing import Any, NoReturn

from service.problems import ProblemItem, Rejected

#: code -> what the caller reads; all 422.
DETAILS = {
    "not-a-bundle": "Give a FHIR R4 Bundle.",
    "unsupported-version": "This changes the meaning of what stands here, in a way that is not known.",
    "no-restraint": "Nothing in the Bundle says that a patient was restrained.",
    "several-charts": "The Bundle tells of the restraint of several patients or in several encounters. Send one Bundle for each.",
    "too-many-items": "The Bundle has too many entries of one kind.",
    "invalid-episode": "This part of the profile cannot be read.",
}


def refuse(code: str, pointer: str) -> NoReturn:
    """Refuse a Bundle (422). ``pointer``: JSON Pointer into it."""
    raise Rejected(422, code, [ProblemItem(code, DETAILS[code], pointer=pointer)])


def refuse_modifiers(document: Any) -> None:
    """Refuse what changes the meaning of a resource in a way that nobody here knows. Raises Rejected (422)."""
    open_: list[tuple[str, Any]] = [("", document)]
    while open_:
        at, value = open_.pop()
        if type(value) is list:
            open_ += [(f"{at}/{index}", inner) for index, inner in enumerate(value)]
        elif type(value) is dict:
            for name in ("implicitRules", "modifierExtension"):
                if value.get(name):
                    refuse("unsupported-version", f"{at}/{name}")
            open_ += [(f"{at}/{name}", inner) for name, inner in value.items() if type(inner) in (dict, list)]
