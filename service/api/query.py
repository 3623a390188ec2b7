"""Query parameters: only known names, each at most once, only known values; nothing is repeated back."""

from __future__ import annotations

from flask import Request

from service.pages.review import PARTS, View
from service.problems import ProblemItem
from service.review.build import Wanted

from .problems import Refusal


def parameters(request: Request, *known: str) -> dict[str, str]:
    """Name -> value. Refusal 400 for a name that is not ``known`` or comes twice."""
    given = request.args
    if not given:
        return {}
    wrong: list[ProblemItem] = []
    if given.keys() - set(known):
        names = ", ".join(known) if known else "none"
        wrong.append(ProblemItem("unknown-parameter", f"Known here: {names}."))
    for name in known:
        if len(given.getlist(name)) > 1:
            wrong.append(ProblemItem("repeated-parameter", "Send it once.", parameter=name))
    if wrong:
        raise Refusal("bad-query", wrong)
    return {name: given[name] for name in known if name in given}


#: The parameters that say what a review is to hold.
OF_A_REVIEW = ("profile", "stage", "explain", "accounts", "detail")

#: Those that say how its page is to be.
OF_A_PAGE = ("part", "for", "appendix")


def view(values: dict[str, str]) -> View:
    """How a page is wanted. Refusal 400."""
    part = _one_of(values, "part", *PARTS) if "part" in values else None
    first = _one_of(values, "for", "reviewer", "author")
    return View("author" if first == "author" else "reviewer", flag(values, "appendix"), part)  # type: ignore[arg-type]


def wanted(values: dict[str, str], *, full: bool = False) -> Wanted:
    """What a review is to hold. ``full``: whether the representation needs reasons and sources. Refusal 400."""
    stage = _one_of(values, "stage", "closing", "open")
    detail = _one_of(values, "detail", "short", "full")
    explain, accounts = flag(values, "explain"), flag(values, "accounts")
    return Wanted(explain, accounts, full or detail == "full", "open" if stage == "open" else "closing")


def flag(values: dict[str, str], name: str) -> bool:
    """``true`` or ``false``; false when left out. Refusal 400 for anything else."""
    return _one_of(values, name, "false", "true") == "true"


def _one_of(values: dict[str, str], name: str, *words: str) -> str:
    """The value of a parameter, the first word when it is left out."""
    value = values.get(name, words[0])
    if value not in words:
        known = ", ".join(words)
        raise Refusal("bad-query", [ProblemItem("unknown-value", f"Known values: {known}.", parameter=name)])
    return value
