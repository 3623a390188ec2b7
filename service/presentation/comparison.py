"""What differs between two profiles or rulesets, as a person reads it in a terminal."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from typing import Any

from service.presentation.plain import count

_WORDS = {
    "appears": "appears",
    "vanishes": "vanishes",
    "severity": "changes severity",
    "moves": "stands at other places",
}


def render(document: Mapping[str, Any], width: int = 80) -> str:
    """Both sides, the counts, then rule by rule what changes with some records in which it does. ``width`` in columns."""
    out = [row for side in ("left", "right") for row in _wrap(f"{side.title()}: {_side(document[side])}", width)] + [""]
    lines = document["lines"]
    out += _wrap(
        f"{count(lines['compared'], 'record')} compared, {lines['changed']} with a change; {count(lines['rejected'], 'line')} could not be read, "
        f"{lines['not_evaluated']} not evaluated.",
        width,
    )
    for rule in document["rules"]:
        out += ["", *_wrap(f"{rule['rule']} {rule['title']}", width)]
        for change in rule["changes"]:
            sides = [side for side in (change["left"], change["right"]) if side]
            text = f"{_WORDS[change['change']]} ({' to '.join(dict.fromkeys(sides))}): {count(change['findings'], 'finding')}"
            where = ", ".join(_place(example) for example in change["examples"])
            out += _wrap(f"{text}, for example {where}", width, 2)
        for moved in rule["outcomes"]:
            text = f"{count(moved['records'], 'record')} from {_plain(moved['left'])} to {_plain(moved['right'])}"
            out += _wrap(text, width, 2)
    if not document["rules"]:
        out += ["", "Nothing differs."]
    out += ["", *(row for caution in document["cautions"] for row in _wrap(caution, width))]
    return "\n".join(out) + "\n"


def _side(versions: Mapping[str, str]) -> str:
    return f"profile {versions['profile']}, ruleset {versions['ruleset']} {versions['ruleset_digest'][7:19]}"


def _place(example: Mapping[str, Any]) -> str:
    file = f"{example['file']} " if example["file"] else ""
    return f"{example['episode_ref']} ({file}line {example['line']})"


def _plain(outcome: str) -> str:
    return outcome.replace("_", " ")


def _wrap(text: str, width: int, indent: int = 0) -> list[str]:
    return textwrap.wrap(
        text,
        width,
        initial_indent=" " * indent,
        subsequent_indent=" " * (indent + 2 if indent else 0),
        break_on_hyphens=False,
    )
