"""Which members and words change nothing: ``python -m tests.rules.silent [--write]``.

Every legal swap is made on three good records: each member to every word it may
have, to true and false, to both ends of its range, and every time by an hour
and a day each way. A member that a record does not hold is put in. "Changed" is
a rule's outcome, or a finding's severity or instances; never a text, a digest
or a notice, nor ``clear`` to ``not_applicable`` or back. A moved time proves
only the time.

What changes nothing stands in ``rules/silent.yaml`` with a reason. Without
``--write`` the exit status is 1 when the file does not say what was found.
"""

from __future__ import annotations

import copy
import json
import sys
from collections.abc import Iterable, Iterator
from datetime import datetime, timedelta
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple

import yaml

from service.episode import declaration, record
from service.intake import strict_yaml
from service.problems import Rejected
from service.resources import rules_directory
from tests.support.pipeline import demo, pipeline

FILE = Path(rules_directory()) / "silent.yaml"
#: What stands where nobody has written a reason yet; a test refuses it.
UNSAID = "FILL-IN"
#: Where a word is judged together with others, the rule whose example proves it.
TOGETHER = "together"
_MOVES = {
    "an hour earlier": timedelta(hours=-1),
    "an hour later": timedelta(hours=1),
    "a day earlier": timedelta(days=-1),
    "a day later": timedelta(days=1),
}
#: Items of one list in which a member is swapped: the first, the middle and the last.
_ITEMS = 3
_HEAD = """\
# Members and words that change no outcome alone in any of three good records, each group with its reason.
# `together`: judged with another entry only; the rule whose example proves it.
# Found by python -m tests.rules.silent --write; the reasons are written by hand and kept.
"""
Document = dict[str, Any]
Silent = dict[str, list[str]]


class Swap(NamedTuple):
    """One change of one record. ``path``: of the contract; ``word``: what the member becomes."""

    path: str
    word: str
    record: str
    keys: tuple[str | int, ...]
    value: Any


@cache
def records() -> dict[str, Document]:
    """A sedated transport, a hold without transport, and police custody: the exemplary record and two made from it."""
    sedated = demo("exemplary")
    held = copy.deepcopy(sedated)
    held["application"]["limbs"] = []
    held["sedation"] = {"none": True}
    held["monitoring"]["limb_checks"] = []
    held["transport"] = {
        "call": "emergency",
        "at_patient": sedated["transport"]["at_patient"],
        "transported": False,
        "ended": {"time": "2031-04-12T18:48:00-06:00", "how": "released_to_guardian"},
    }
    held["handover"] = {"absent": "declined", "reason": "not_indicated"}
    custody = copy.deepcopy(sedated)
    custody["custody"] |= {
        "in_custody": True,
        "officer": "aboard",
        "left": "2031-04-12T18:48:00-06:00",
        "officer_spans": [
            {"id": "u1", "officer": "aboard", "start": "2031-04-12T18:02:00-06:00", "end": "2031-04-12T18:48:00-06:00"}
        ],
    }
    custody["decision"] |= {"authority": "custody", "authority_confirmed_by": "law_enforcement"}
    return {"sedated transport": sedated, "hold without transport": held, "police custody": custody}


def swaps() -> Iterator[Swap]:
    """Every swap, in the order of the contract within each record."""
    for name, document in records().items():
        yield from _of(record.Episode, document, (), "", name)


def _of(cls: type, node: Any, keys: tuple[str | int, ...], path: str, name: str) -> Iterator[Swap]:
    held = node if isinstance(node, dict) and "absent" not in node and "none" not in node else {}
    for member in declaration.members(cls):
        kind, at, where = member.kind, (*keys, member.name), f"{path}/{member.name}"
        value = held.get(member.name)
        if isinstance(kind, declaration.Part):
            yield from _of(kind.of, value, at, where, name)
        elif isinstance(kind, declaration.Items):
            listed = value if isinstance(value, list) and value else [_template(where, kind.of)]
            for index in sorted({0, len(listed) // 2, len(listed) - 1}):
                yield from _of(kind.of, listed[index], (*at, index), f"{where}/*", name)
        else:
            for word, new in _words(kind, value):
                if new != value:
                    yield Swap(where, word, name, at, new)


def _words(kind: declaration.Kind, value: Any) -> Iterator[tuple[str, Any]]:
    match kind:
        case declaration.Code():
            yield from ((word, word) for word in kind.words)
        case declaration.Codes():
            yield from ((word, [word]) for word in kind.words)
            yield "an empty list", []
        case declaration.Flag():
            yield from (("true", True), ("false", False))
        case declaration.Int() | declaration.Num():
            yield from (("lowest", kind.low), ("highest", kind.high))
        case declaration.Time() if isinstance(value, str):
            yield from ((word, (datetime.fromisoformat(value) + move).isoformat()) for word, move in _MOVES.items())


def _template(where: str, cls: type) -> Document:
    """An item for a list that a record does not have: one of the exemplary record, else its required members."""
    found: Any = records()["sedated transport"]
    for step in where.split("/")[1:]:
        found = found.get(step) if isinstance(found, dict) else found[0] if isinstance(found, list) and found else None
    if isinstance(found, list) and found:
        return dict(found[0])
    return {m.name: m.kind.words[0] for m in declaration.members(cls) if m.required}  # type: ignore[attr-defined]


def swapped(swap: Swap) -> Document:
    """The record with the swap made."""
    document = copy.deepcopy(records()[swap.record])
    node: Any = document
    path = ""
    for key, following in zip(swap.keys, swap.keys[1:], strict=False):
        path += "/*" if isinstance(key, int) else f"/{key}"
        if isinstance(key, int):
            node = node[key]
            continue
        held = node.get(key)
        if isinstance(following, int):
            if not isinstance(held, list) or not held:
                node[key] = [_template(path, _class_at(path))]
        elif not isinstance(held, dict) or "absent" in held or "none" in held:
            node[key] = {}
        node = node[key]
    node[swap.keys[-1]] = swap.value
    return document


@cache
def _class_at(path: str) -> type:
    cls: type = record.Episode
    for step in path.split("/")[1:]:
        if step != "*":
            cls = next(m.kind.of for m in declaration.members(cls) if m.name == step)  # type: ignore[attr-defined]
    return cls


def judged(document: Document) -> dict[str, Any] | None:
    """Rule -> outcome, and severity and fingerprints of what it finds; None for a record that is refused."""
    try:
        review = pipeline().review(json.dumps(document).encode(), "application/json", "default")
    except Rejected:
        return None
    out: dict[str, Any] = {
        rule: outcome for rule, outcome in review.outcomes.items() if outcome not in ("clear", "not_applicable")
    }
    for rule, instances in review.found.items():
        out[rule] = (instances[0].entry.bound.severity, sorted(one.fingerprint for one in instances))
    return out


@cache
def before() -> dict[str, dict[str, Any] | None]:
    """What is judged in the three records as they are."""
    return {name: judged(document) for name, document in records().items()}


def changes(swap: Swap) -> bool | None:
    """Whether a swap changes anything; None where the record would be refused."""
    found = judged(swapped(swap))
    return None if found is None else found != before()[swap.record]


def silent() -> Silent:
    """Path -> the words that change nothing in any record."""
    state: dict[tuple[str, str], bool] = {}
    for swap in swaps():
        key = swap.path, swap.word
        if not state.get(key):
            found = changes(swap)
            if found is not None:
                state[key] = found
    out: Silent = {}
    for (path, word), changed in state.items():
        if not changed:
            out.setdefault(path, []).append(word)
    return out


def listed() -> Silent:
    """Path -> the words in the file."""
    out: Silent = {}
    for group in groups():
        for path, words in group["silent"].items():
            out.setdefault(path, []).extend(words)
    return out


def groups() -> list[dict[str, Any]]:
    """The groups of the file."""
    return list(strict_yaml.load(FILE)["groups"]) if FILE.exists() else []


def proofs() -> dict[tuple[str, str], str]:
    """(path, word) -> a rule of which an example ends in a finding with that word, in its patch or among its facts."""
    out: dict[tuple[str, str], str] = {}
    kinds = pipeline().rulebook.vocabulary.kinds
    for rule in pipeline().rulebook.rules:
        kind = kinds[rule.about]
        asked = {leaf.attribute for leaf in (*rule.applies_when.leaves(), *rule.fails_when.leaves())}
        for example in rule.raw["examples"]:  # type: ignore[attr-defined]
            if example["expect"] == "finding":
                for name, value in example.get("facts", {}).items():
                    if name in asked and name not in kind.derived:
                        for path in kind.attributes[name].inputs:
                            out.setdefault((path, _said(value)), rule.id)
                    elif (rule.about, name) == ("event", "code"):
                        out.setdefault(("/monitoring/events/*/event", _said(value)), rule.id)
                for step in example.get("patch", ()):
                    for place in _told(step["path"], step.get("value")):
                        out.setdefault(place, rule.id)
    return out


def _told(path: str, value: Any) -> Iterator[tuple[str, str]]:
    steps = "/".join("*" if step == "-" or step.isdigit() else step for step in path.split("/"))
    if isinstance(value, dict):
        for name, inner in value.items():
            yield from _told(f"{steps}/{name}", inner)
    elif isinstance(value, list):
        for inner in value:
            yield from _told(f"{steps}/*" if isinstance(inner, dict) else steps, inner)
    else:
        yield steps, _said(value)


def _said(value: Any) -> str:
    return str(value).lower() if isinstance(value, bool) else str(value)


def regrouped(found: Silent) -> list[dict[str, Any]]:
    """The groups of the file with what was found: a word keeps its reason, a new one has none yet."""
    old = groups()
    reasons = {(p, w): g["reason"] for g in old if "reason" in g for p, words in g["silent"].items() for w in words}
    by_member: dict[str, list[str]] = {}
    for (path, _), reason in reasons.items():
        by_member.setdefault(path, []).append(reason)
    proved = proofs()
    out: dict[str, Silent] = {group["reason"]: {} for group in old if "reason" in group and group["reason"] != UNSAID}
    together: dict[str, dict[str, str]] = {}
    for path, words in found.items():
        for word in words:
            rule = proved.get((path, word))
            if rule is not None:
                together.setdefault(path, {})[word] = rule
            else:
                out.setdefault(reasons.get((path, word), UNSAID), {}).setdefault(path, []).append(word)
    made: list[dict[str, Any]] = [{"reason": reason, "silent": of} for reason, of in out.items() if of]
    return [*made, {TOGETHER: together, "silent": {path: list(words) for path, words in together.items()}}]


def text(made: Iterable[dict[str, Any]]) -> str:
    """The file."""
    shown = [{"reason": group["reason"], "silent": group["silent"]} if "reason" in group else group for group in made]
    return _HEAD + yaml.safe_dump(
        {"groups": shown}, sort_keys=False, width=118, default_flow_style=None, allow_unicode=True
    )


def main() -> int:
    """The command."""
    found = silent()
    made = text(regrouped(found))
    if "--write" in sys.argv:
        FILE.write_text(made, "utf-8")
    print(f"{sum(map(len, found.values()))} words of {len(found)} members change nothing")
    return 0 if FILE.exists() and FILE.read_text("utf-8") == made else 1


if __name__ == "__main__":
    sys.exit(main())
