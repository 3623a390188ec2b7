"""Exit statuses and how a command says that it failed."""

from __future__ import annotations

import sys

#: Done; something critical stands, a rule fails its tests or a line of a batch has no review; the command cannot do its work.
OK, FAULTS, FAILED = 0, 1, 2


def failed(*lines: str) -> int:
    """Say why on standard error, one line each; returns the exit status."""
    for line in lines:
        print(line, file=sys.stderr)
    return FAILED
