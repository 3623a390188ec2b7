"""The report over sample charts, as a page and as text for a terminal."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from typing import Any

from service.wording.headings import SEVERITIES, count

from . import html
from .terminal import wrap

#: Rules that are named one by one under a path; the rest are counted.
_MOST_RULES = 8
_NOT_FROM_SAMPLES = (
    "Samples show what was never sent, not what your system has a place for. Take a path out of the list "
    "where your system could hold it."
)
_OTHER_FORMATS = "The list is for JSON episodes: FHIR and NEMSIS bring a list of their own."


def render(document: Mapping[str, Any]) -> bytes:
    """The page in UTF-8. ``document``: of ``batch.onboarding``."""
    return html.page(
        "onboarding.html",
        document=document,
        heads=_heads(document),
        paste=_paste(document),
        confirm=[{**each, "said": _rules(each["rules"])} for each in document["confirm"]],
        effect=_effect(document["effect"]),
        never_vary=_never_vary(document["never_vary"]),
        notes=(_NOT_FROM_SAMPLES, _OTHER_FORMATS),
        count=count,
    )


def as_text(document: Mapping[str, Any], width: int) -> str:
    """The same as text, ``width`` columns wide; the list to paste keeps its lines whole."""
    out: list[str] = []

    def say(*texts: str, indent: int = 0) -> None:
        for text in texts:
            out.extend(wrap(text, width, indent, broken=False))

    def head(title: str) -> None:
        out.extend(["", title.upper()])

    say(_heads(document))
    for each in document["charts"]["refused"]:
        say(f"not read: {each['file']}, line {each['line']}: {each['code']} {each['place']}".rstrip(), indent=2)
    head("Never sent: the list to paste")
    say(_NOT_FROM_SAMPLES, _OTHER_FORMATS)
    out.append(_paste(document))
    say(*_effect(document["effect"]))
    head("Confirm that your system has no place for it")
    say("These were never sent either, and critical rules read them. They are not in the list.")
    for each in document["confirm"]:
        say(each["path"], indent=2)
        say(*_rules(each["rules"]), indent=6)
    if document["no_item"]:
        head("No item in any chart")
        say("Nothing can be told of what is in these lists: " + ", ".join(document["no_item"]) + ".")
    head("Words never used")
    for each in document["words_never_used"]:
        say(f"{each['path']}: {', '.join(each['words'])}", indent=2)
    head("Values that never vary")
    for text in _never_vary(document["never_vary"]):
        say(text, indent=2)
    head("Items without ids")
    say("A finding about such an item cannot be accepted, and acceptances are lost when items move.")
    for each in document["items_without_ids"]:
        say(f"{each['path']}: {each['without']} of {each['items']}", indent=2)
    out.append("")
    say(*document["cautions"])
    return "\n".join(out) + "\n"


def _heads(document: Mapping[str, Any]) -> str:
    charts = document["charts"]
    formats = ", ".join(f"{amount} {name}" for name, amount in charts["formats"].items())
    return (
        f"{count(charts['read'], 'chart')} read ({formats}), {len(charts['refused'])} could not be read. "
        f"Profile {document['versions']['profile']}, ruleset {document['versions']['ruleset']}."
    )


def _paste(document: Mapping[str, Any]) -> str:
    return '"not_collected": ' + json.dumps(document["not_collected"], indent=1)


def _rules(rules: Iterable[Mapping[str, str]]) -> list[str]:
    said = [f"may be lost: {rule['id']} {rule['name']} ({rule['title']})" for rule in rules]
    return [*said[:_MOST_RULES], *([f"and {len(said) - _MOST_RULES} more"] if len(said) > _MOST_RULES else [])]


def _effect(effect: Mapping[str, Any]) -> list[str]:
    """What the list does to the findings of these charts."""
    if not effect["charts"]:
        return []

    def told(found: Mapping[str, int]) -> str:
        return ", ".join(f"{found.get(severity, 0)} {severity}" for severity in SEVERITIES)

    out = [
        f"With this list the {count(effect['charts'], 'JSON chart')} here have {told(effect['after'])}; "
        f"without it {told(effect['before'])}."
    ]
    for each in effect["critical_lost"]:
        out.append(f"LOST WITH THE LIST: the critical finding of {each['rule']} in {count(each['charts'], 'chart')}.")
    return out


def _never_vary(members: Iterable[Mapping[str, Any]]) -> list[str]:
    return [
        f"{each['path']}: {'always ' + json.dumps(each['value']) if 'value' in each else 'one number'}, "
        f"{count(each['times'], 'time')}"
        for each in members
    ]
