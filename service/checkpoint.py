"""Where long work can be stopped, or let others have a turn.

Whoever starts the work gives it a checkpoint, and the work calls it in its
loops. What a checkpoint raises ends the work; nothing here asks a clock.
"""

from __future__ import annotations

from collections.abc import Callable

Checkpoint = Callable[[], None]


def never() -> None:
    """The checkpoint of work that nobody stops."""
