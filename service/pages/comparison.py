"""The comparison of two profiles or rulesets, as a person reads it in a terminal."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from service.wording.headings import SEVERITIES, count
from service.wording.quantities import quantity
from service.wording.words import word

from .terminal import plain, wrap

#: Change of findings -> its verb for one finding, and for several.
_CHANGES = {
    "appears": ("appears", "appear"),
    "vanishes": ("vanishes", "vanish"),
    "severity": ("changes severity", "change severity"),
    "moves": ("stands at other places", "stand at other places"),
}


def render(document: Mapping[str, Any], width: int = 80) -> str:
    """A comparison as text: both sides, the counts, and rule by rule what is set differently and which findings change.

    ``document``: of ``batch.compare``; ``width`` in columns.
    """
    out: list[str] = []
    for side in ("left", "right"):
        found = document["findings"][side]
        said = ", ".join(f"{found[severity]} {severity}" for severity in SEVERITIES)
        out += wrap(f"{side.title():<5}  {_side(document[side])}", width, 0, 7)
        out += wrap(f"{count(sum(found.values()), 'place')} with a finding: {said}", width, 7)
    lines = document["lines"]
    text = (
        f"{count(lines['compared'], 'record')} compared, {lines['changed']} with a change; "
        f"{count(lines['rejected'], 'line')} could not be read, {lines['not_evaluated']} not evaluated."
    )
    out += ["", *wrap(text, width)]
    if document["rules"]:
        changes = [f"{n} {_CHANGES[change][n != 1]}" for change, n in document["totals"].items()]
        out += wrap(f"From left to right, findings: {', '.join(changes)}.", width)
    else:
        out += wrap("Nothing differs.", width)
    files = {each["file"] for rule in document["rules"] for change in rule["changes"] for each in change["examples"]}
    for rule in document["rules"]:
        out += ["", *wrap(f"{rule['rule']} {rule['title']}", width)]
        out += _settings(rule["set_otherwise"], width)
        for change in rule["changes"]:
            sides = [side for side in (change["left"], change["right"]) if side]
            amount = change["findings"]
            text = f"{count(amount, 'finding')} {_CHANGES[change['change']][amount != 1]} ({' to '.join(dict.fromkeys(sides))})"
            out += wrap(
                f"{text}. See {', '.join(_place(each, len(files) > 1) for each in change['examples'])}", width, 2
            )
        for moved in rule["outcomes"]:
            text = f"{count(moved['records'], 'record')} from {plain(moved['left'])} to {plain(moved['right'])}"
            out += wrap(text, width, 2)
    if document["without_effect"]:
        out += ["", *wrap("Set otherwise, and no record here tells the difference:", width)]
        for rule in document["without_effect"]:
            out += wrap(f"{rule['rule']} {rule['title']}", width, 2)
            out += _settings(rule["set_otherwise"], width, 4)
    out += ["", *(row for caution in document["cautions"] for row in wrap(caution, width))]
    return "\n".join(out) + "\n"


def _settings(differing: Iterable[Mapping[str, Any]], width: int, indent: int = 2) -> list[str]:
    return [
        row
        for each in differing
        for row in wrap(
            f"{word(each['name'])}: {_value(each['left'], each['unit'])} on the left, {_value(each['right'], each['unit'])} on the right",
            width,
            indent,
        )
    ]


def _value(value: object, unit: str) -> str:
    if value is None:
        return "none"
    if isinstance(value, bool):
        return "yes" if value else "no"
    return quantity(value, unit) if isinstance(value, (int, float)) else str(value)


def _side(versions: Mapping[str, str]) -> str:
    return f"profile {versions['profile']}, ruleset {versions['ruleset']} {versions['ruleset_digest'][7:19]}"


def _place(example: Mapping[str, Any], several: bool) -> str:
    file = f"{example['file']} " if several else ""
    return f"{example['episode_ref']} ({file}line {example['line']})"
