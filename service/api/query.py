"""Query parameters: only known names, each at most once, only known values; nothing is repeated back."""

from __future__ import annotations

from flask import Request

from service.problems import ProblemItem

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


def flag(values: dict[str, str], name: str) -> bool:
    """``true`` or ``false``; false when left out. Refusal 400 for anything else."""
    value = values.get(name, "false")
    if value not in ("true", "false"):
        raise Refusal("bad-query", [ProblemItem("unknown-value", "Known values: true, false.", parameter=name)])
    return value == "true"
