"""The real rulebook under its default profile, for the agreement test and the sanitizer."""

from __future__ import annotations

from service.engine.compile import Catalogue
from service.engine.decide import Decider
from service.resources import rules_directory
from service.rulebook.load import load_rulebook
from service.rulebook.profiles import bind_all
from tests.engine.sheets import literals_of


def subject() -> tuple[Decider, Catalogue, object]:
    """(decider, catalogue, literals) of the shipped rules."""
    book = load_rulebook(rules_directory())
    words = book.vocabulary
    bound = bind_all(book.rules, book.profiles["default"], words.units)
    return Decider(bound, words.catalogue, words.when_none), words.catalogue, literals_of(bound)  # type: ignore[arg-type]
