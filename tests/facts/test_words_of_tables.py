"""A word in the facts that no record can hold is a branch that never comes true: a danger missed without a sign of it."""

from __future__ import annotations

import ast
import json
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from service.episode.schema import episode_schema
from service.resources import rules_directory

FACTS = Path(__file__).resolve().parents[2] / "service" / "facts"
WORD = re.compile(r"[a-z][a-z0-9]*(?:[_-][a-z0-9]+)*")
#: Module -> what is no word of the record and no name of a fact: a part of a name, or a word that a narrative gives.
OTHERS = {"timeline": {"leg"}, "shared": {"spine"}, "charted": {"leather"}, "told": {"lacks", "leather"}}


def known() -> set[str]:
    """The words and members that a record may have, the names of the vocabulary and those of the narrative families."""
    said = json.dumps(episode_schema()) + (rules_directory() / "vocabulary.yaml").read_text("utf-8")
    return {*re.findall(r"[a-z0-9_-]+", said), *(p.stem for p in rules_directory().glob("narrative/*")), "recorded"}


def literals(path: Path) -> Iterator[str]:
    """The strings of a module that are no documentation and stand alone."""
    tree = ast.parse(path.read_text("utf-8"))
    parts = {id(part) for node in ast.walk(tree) if isinstance(node, ast.JoinedStr) for part in node.values}
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in parts:
            yield from WORD.findall(node.value) if WORD.fullmatch(node.value) else ()


@pytest.mark.parametrize("path", sorted(FACTS.glob("*.py")), ids=lambda path: path.stem)
def test_every_word_is_known(path: Path) -> None:
    words = known()
    unknown = set(literals(path)) - words - OTHERS.get(path.stem, set())
    # An attribute of the kind "section" is named by its section and its member.
    assert [word for word in sorted(unknown) if not words.issuperset(word.split("_", 1))] == []
