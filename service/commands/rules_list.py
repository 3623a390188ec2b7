"""``restraint-review rules list``: every rule on a line."""

from __future__ import annotations

import argparse
from typing import Any

from service.settings import read_settings

from . import loading
from .exit_status import OK


def register(commands: Any) -> None:
    """Add the command."""
    commands.add_parser("list", help="every rule on a line").set_defaults(run=_run)


def _run(_arguments: argparse.Namespace) -> int:
    for rule in loading.rulebook(read_settings()).rules:
        print(f"{rule.id}  {rule.phase:<11}  {rule.severity:<8}  {rule.title}")
    return OK
