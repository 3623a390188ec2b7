"""Which rules judge a member of the record."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from .load import Rulebook
from .rule import Rule
from .vocabulary import FactKind


def judged_by(book: Rulebook, paths: Iterable[str]) -> dict[str, tuple[str, ...]]:
    """Path of the contract, of those given -> ids of the rules that judge the member.

    They ask for something that follows from it or from the list that it stands in, or an example of theirs ends in a
    finding because of it.
    """
    read = {rule.id: {*_asked(rule, book.vocabulary.kinds[rule.about]), *_shown(rule)} for rule in book.rules}
    out = {}
    for path in paths:
        steps = path.split("/")
        above = {"/".join(steps[:number]) for number in range(1, len(steps) + 1)}
        out[path] = tuple(rule for rule, places in read.items() if not above.isdisjoint(places))
    return out


def _asked(rule: Rule, kind: FactKind) -> Iterator[str]:
    for leaf in (*rule.applies_when.leaves(), *rule.fails_when.leaves()):
        yield from kind.attributes[leaf.attribute].inputs


def _shown(rule: Rule) -> Iterator[str]:
    """The leaves of the patches that end in a finding."""
    for example in rule.raw["examples"]:  # type: ignore[attr-defined]
        if example["expect"] == "finding":
            for step in example.get("patch", ()):
                yield from _leaves(step["path"], step.get("value"))


def _leaves(path: str, value: Any) -> Iterator[str]:
    at = "/".join("*" if step == "-" or step.isdigit() else step for step in path.split("/"))
    if isinstance(value, Mapping):
        for name, inner in value.items():
            yield from _leaves(f"{at}/{name}", inner)
    elif isinstance(value, list) and any(isinstance(inner, Mapping) for inner in value):
        for inner in value:
            yield from _leaves(f"{at}/*", inner)
    else:
        yield at
