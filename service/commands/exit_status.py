"""Exit statuses and how a command says that it failed."""

from __future__ import annotations

import sys

#: Done; something critical stands, a rule fails its tests or a line of a batch has no review; the command cannot do its work.
OK, FAULTS, FAILED = 0, 1, 2


class CommandFailed(Exception):
    """The command cannot do its work. ``lines`` say why."""

    def __init__(self, *lines: str) -> None:
        super().__init__(*lines)
        self.lines = lines


def failed(*lines: str) -> int:
    """Say why on standard error, one line each; returns the exit status."""
    for line in lines:
        print(printable(line), file=sys.stderr)
    return FAILED


def printable(line: str) -> str:
    """The line with control characters, as a file name may hold them, written as escapes."""
    return "".join(each if each.isprintable() else ascii(each)[1:-1] for each in line)
