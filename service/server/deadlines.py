"""Time limits on the sockets of callers: for the head of a request, its body, and its answer.

A time limit on each receive does not do: a client that sends a byte now and
then never meets it, and holds a thread for as long as it likes. One thread a
process looks at the calls in progress and closes the connections of those
that are over, upon which the read or write under way returns.

Under pressure (every thread taken, others waiting) as many readings as there
are others are ended, the longest first, once they have had ``PATIENCE``, so
that clients that send slowly cannot hold a worker between them.
"""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress

_LOOK_EVERY = 0.25
#: Seconds that a reading always has, whoever waits.
PATIENCE = 1.0


class Watch:
    """One call in progress. ``over``: its time was up and it was ended."""

    __slots__ = ("_socket_of", "began", "end", "how", "over")

    def __init__(self, socket_of: Callable[[], socket.socket], seconds: float, how: int) -> None:
        self._socket_of = socket_of
        self.began = time.monotonic()
        self.end = self.began + seconds
        self.how = how
        self.over = False

    def stop(self) -> None:
        """End it."""
        self.over = True
        with suppress(OSError):  # the client has gone: the call has ended by itself
            # Not the method of a TLS socket: that would drop the encryption under a thread that still writes.
            socket.socket.shutdown(self._socket_of(), self.how)


class NoWatch:
    """Stands in where there is no socket: not under our server."""

    over = False


class Deadlines:
    """The calls in progress of one process. ``pressure``: says how many others wait for a thread."""

    def __init__(self) -> None:
        self.pressure: Callable[[], int] = lambda: 0
        self._lock = threading.Lock()
        self._active: set[Watch] = set()
        self._busy = threading.Event()
        self._thread: threading.Thread | None = None

    @contextmanager
    def reading(self, sock: socket.socket | None, seconds: float) -> Iterator[Watch | NoWatch]:
        """Read inside; an answer can still be sent when the time is up (over TLS it cannot: the connection ends)."""
        if sock is None:
            yield NoWatch()
            return
        watch = self.start(lambda: sock, seconds, socket.SHUT_RD)
        try:
            yield watch
        finally:
            self.finish(watch)

    def start(self, socket_of: Callable[[], socket.socket], seconds: float, how: int) -> Watch:
        """Begin to watch; ``how`` as for ``socket.shutdown``. Must be followed by ``finish``.

        The socket is asked for when it is needed: after a TLS handshake it is another object.
        """
        watch = Watch(socket_of, seconds, how)
        with self._lock:
            if self._thread is None:
                # Started with the first call, so after the fork.
                self._thread = threading.Thread(target=self._look, name="deadlines", daemon=True)
                self._thread.start()
            self._active.add(watch)
            if not self._busy.is_set():
                self._busy.set()
        return watch

    def finish(self, watch: Watch) -> None:
        """No longer watch; may be called twice."""
        with self._lock:
            self._active.discard(watch)

    def _look(self) -> None:
        while True:
            self._busy.wait()
            time.sleep(_LOOK_EVERY)
            now = time.monotonic()
            # Under the lock, so that no socket is closed and its number used anew meanwhile.
            with self._lock:
                for watch in self._active:
                    if not watch.over and watch.end <= now:
                        watch.stop()
                patient = [
                    watch
                    for watch in self._active
                    if not watch.over and watch.how == socket.SHUT_RD and watch.began + PATIENCE <= now
                ]
                for watch in sorted(patient, key=lambda each: each.began)[: self.pressure()]:
                    watch.stop()
                if not self._active:
                    self._busy.clear()


deadlines = Deadlines()
