"""What a command prints for a person: as wide as the terminal, in color only there."""

from __future__ import annotations

import os
import shutil
import sys
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

from .exit_status import printable

if TYPE_CHECKING:
    from service.rulebook.rule import Rule

#: Rule id -> (phase, title).
Titles = Mapping[str, tuple[str, str]]


def width() -> int:
    """Columns of the terminal, or those in ``COLUMNS``; 80 where the output goes elsewhere."""
    return shutil.get_terminal_size().columns if sys.stdout.isatty() or "COLUMNS" in os.environ else 80


def titles(rules: Iterable[Rule]) -> Titles:
    """What ``review`` has to know of the rules."""
    return {rule.id: (rule.phase, rule.title) for rule in rules}


def review(title: str, document: Mapping[str, Any], rules: Titles, story: str = "") -> str:
    """A review laid out for this terminal. ``document``: as the service answers it; ``story`` stands under the title."""
    from service.pages import terminal

    color = sys.stdout.isatty() and not os.environ.get("NO_COLOR")
    return terminal.render(printable(title), document, rules, width(), color, story)
