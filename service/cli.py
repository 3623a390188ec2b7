"""The command line: ``restraint-review COMMAND``; each command is a module of ``service.commands``."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence

import shtab

from service import __version__
from service.commands import (
    batch,
    check,
    compare,
    convert,
    demo,
    keys,
    measures,
    narrative,
    onboard,
    profiles,
    rules,
    serve,
)
from service.commands.exit_status import OK, CommandFailed, failed
from service.settings import SettingsError


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit status."""
    arguments = _parser().parse_args(argv)
    try:
        return int(arguments.run(arguments))
    except (SettingsError, CommandFailed) as error:
        return failed(*error.lines)
    except KeyboardInterrupt:
        return 130
    except BrokenPipeError:
        # The reader of our output has gone; Python would complain again when it flushes at the end.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return OK


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="restraint-review",
        description="Review the charting of restraint episodes in ambulance care. Supports review; not a medical "
        "device, not medical or legal advice. Local protocol and medical direction win.",
        epilog="Every setting can also be given as RESTRAINT_REVIEW_<NAME> in the environment.",
    )
    parser.add_argument("--version", action="version", version=__version__)
    shtab.add_argument_to(parser, help="print a script that completes commands and options with the Tab key")
    commands = parser.add_subparsers(required=True, metavar="COMMAND")
    for command in (serve, demo, check, onboard, batch, measures, compare, convert, narrative, keys, rules, profiles):
        command.register(commands)
    return parser


if __name__ == "__main__":
    sys.exit(main())
