"""``restraint-review rules``: the commands about the rulebook."""

from __future__ import annotations

from typing import Any

from . import rules_facts, rules_list, rules_new, rules_show, rules_sources, rules_test


def register(commands: Any) -> None:
    """Add the commands."""
    rules = commands.add_parser("rules", help="look at the rulebook").add_subparsers(required=True, metavar="COMMAND")
    for command in (rules_list, rules_show, rules_facts, rules_sources, rules_new, rules_test):
        command.register(rules)
