"""Log lines on their way to standard error, past a reader that may stand still.

Whoever reads standard error of a container may stop reading. A write to it
would then block for as long as that lasts, in the middle of a review. So
processes write to a pipe that never blocks, and one thread of the master
passes on what comes out of it. Where the pipe is full, lines are dropped and
counted.
"""

from __future__ import annotations

import fcntl
import os
import time
from collections.abc import Callable
from contextlib import suppress

from gevent import monkey

#: Room for what is written while the reader is slow, bytes; the system may allow less.
_ROOM = 1 << 20
#: How long the last lines are waited for at the end, seconds.
_PATIENCE = 1.0


class Relay:
    """A pipe to standard error. ``write`` is for ``log.configure``; made in the master, before the workers are forked."""

    def __init__(self, dropped: Callable[[], None]) -> None:
        """``dropped`` is called for every line that is lost."""
        self._dropped = dropped
        self._out, self._in = os.pipe()
        with suppress(OSError):
            fcntl.fcntl(self._in, fcntl.F_SETPIPE_SZ, _ROOM)
        os.set_blocking(self._in, False)
        self._done = False
        # A thread of the system: one of gevent's would hold up the others when it blocks.
        monkey.get_original("_thread", "start_new_thread")(self._pass_on, ())

    def write(self, line: bytes) -> None:
        """Write one line, whole (at most 4,096 bytes, which a pipe keeps together), or drop it."""
        try:
            os.write(self._in, line)
        except OSError:
            self._dropped()

    def close(self) -> None:
        """In the master, when the workers have ended: wait for the last lines, but not for a reader that stands still."""
        os.close(self._in)
        end = time.monotonic() + _PATIENCE
        while not self._done and time.monotonic() < end:
            time.sleep(0.01)

    def _pass_on(self) -> None:
        while lines := os.read(self._out, 65536):
            with suppress(OSError):  # nobody reads, or the disk is full: what could not be written is lost
                while lines:
                    lines = lines[os.write(2, lines) :]
        self._done = True
