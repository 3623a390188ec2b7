"""What a code of a standard list means for a restraint, for the readers of every format."""

from __future__ import annotations

from dataclasses import dataclass

READ = "read"
MEMORY = "from memory"

#: Kinds of meaning; ``word`` is then a word of the record. ``aside``: no meaning here, and ``word`` says why.
KINDS = (
    "action", "behaviour", "condition", "contact", "death", "drug", "event", "hold", "injury", "monitor", "not_tied",
    "pregnant", "restraint", "substance", "transfer", "aside",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Meaning:
    """One meaning. ``source``: ``read`` in a list of the standard, or ``from memory``. ``near``: only the nearest word."""

    kind: str
    word: str
    source: str = READ
    near: bool = False


Meanings = dict[str, Meaning]


def meanings(kind: str, source: str = READ, *, near: bool = False, **words: str) -> Meanings:
    """A table of ``word="code code ..."`` for one kind."""
    return {code: Meaning(kind, word, source, near) for word, codes in words.items() for code in codes.split()}


def aside(why: str, codes: str, source: str = READ) -> Meanings:
    """Codes without a meaning here, with a word why."""
    return {code: Meaning("aside", why, source) for code in codes.split()}


def words_of(table: Meanings, kind: str) -> Meanings:
    """The codes of one kind."""
    return {code: found for code, found in table.items() if found.kind == kind}
