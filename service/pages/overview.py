"""Several charts that were checked together, at the end, as a list for a terminal: the worst first."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, NamedTuple

from service.wording.headings import SEVERITIES, count, gravest

from .terminal import wrap

_NARROWEST = 40


class Checked(NamedTuple):
    """One file. ``why``: why there is no review, else None; ``document``: the review."""

    name: str
    why: str | None
    document: Mapping[str, Any] | None


def render(checked: Sequence[Checked], width: int) -> str:
    """A line a file, with the worst fact in words under it where something critical or a warning stands."""
    width = max(_NARROWEST, width)
    unread = [each for each in checked if each.document is None]
    read = sorted((each for each in checked if each.document is not None), key=_worst_first)
    out = ["=" * width, f"{count(len(checked), 'file')}, the worst first", "=" * width]
    for each in unread:
        out += wrap(f"NO REVIEW {each.name}: {each.why}", width, later=2, broken=False)
    for each in read:
        out += _lines(each, width)
    return "\n".join(out) + "\n"


def _counts(each: Checked) -> list[int]:
    assert each.document is not None
    summary = each.document["summary"]
    by = summary["by_severity"]
    return [by["critical"], by["warning"], summary["by_handler"]["author"], summary["unjudged"]]


def _worst_first(each: Checked) -> tuple[Any, ...]:
    assert each.document is not None
    first = gravest(each.document)
    concerns = list(each.document["summary"]["by_concern"])
    if first is None:
        return (len(SEVERITIES), 0, (), each.name)
    return (
        SEVERITIES.index(first["severity"]),
        concerns.index(first["concern"]),
        [-n for n in _counts(each)],
        each.name,
    )


def _lines(each: Checked, width: int) -> Iterable[str]:
    assert each.document is not None
    critical, warning, questions, unjudged = _counts(each)
    said = f"{critical} critical, {warning} warning, {count(questions, 'question')}, {unjudged} unjudged"
    yield from wrap(f"{each.name}: {said}", width, later=2, broken=False)
    first = gravest(each.document)
    if first is not None and first["severity"] != "info":
        yield from wrap(f"{first['severity'].upper()} {first['message']}", width, 4, broken=False)
