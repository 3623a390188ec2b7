"""The facts as a page: everything that a rule may ask, with what makes it true and the rules that ask it."""

from __future__ import annotations

import functools
from collections.abc import Iterable
from typing import Any

from service.rulebook.load import Rulebook
from service.rulebook.rule import Rule
from service.rulebook.vocabulary import Attribute
from service.wording.headings import count, sentence
from service.wording.words import word

from . import html

#: Attributes of the whole episode stand in every kind, and here once.
_EPISODE = "ep_"


def render(book: Rulebook) -> bytes:
    """The page in UTF-8; the same bytes for the same rulebook."""
    kinds = book.vocabulary.kinds.values()
    shared = {a.name: a for kind in kinds for a in kind.attributes.values() if a.name.startswith(_EPISODE)}
    return html.page(
        "facts.html",
        shared=[_row(attribute, book.rules) for attribute in shared.values()],
        kinds=[
            (
                kind,
                [
                    _row(attribute, [rule for rule in book.rules if rule.about == kind.name])
                    for attribute in kind.attributes.values()
                    if attribute.name not in shared
                ],
            )
            for kind in kinds
        ],
        count=count,
        sentence=sentence,
        word=word,
    )


def _row(attribute: Attribute, rules: Iterable[Rule]) -> dict[str, Any]:
    return {
        "name": attribute.name,
        "meaning": sentence(attribute.meaning),
        "from_record": attribute.from_record,
        "rules": [rule.id for rule in rules if attribute.name in _asked(rule)],
    }


@functools.cache
def _asked(rule: Rule) -> frozenset[str]:
    """The attributes that the conditions of a rule ask for."""
    return frozenset(leaf.attribute for leaf in (*rule.applies_when.leaves(), *rule.fails_when.leaves()))
