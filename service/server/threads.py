"""The threads that read and answer: all started before a worker serves, the one that was busy last busy first."""

from __future__ import annotations

import queue
import threading
from collections import deque
from concurrent.futures import ThreadPoolExecutor
from typing import Any


class Pool(ThreadPoolExecutor):
    """``size`` threads, started at once: when memory is short none could be, and the worker would end.

    Raises RuntimeError or MemoryError where not all can be started; then there is none.
    """

    def __init__(self, size: int) -> None:
        super().__init__(size)
        self._jobs = _Jobs()
        self._work_queue = self._jobs  # type: ignore[assignment]
        together = threading.Barrier(size)
        try:
            for _ in range(size):
                self.submit(together.wait)
        except (RuntimeError, MemoryError):
            # Those that were started wait for the others, and the process would wait for them before it ends.
            together.abort()
            self.shutdown(wait=False)
            raise

    def waiting(self) -> int:
        """Jobs for which there is no thread."""
        return self._jobs.qsize()


class _Jobs:
    """What the pool hands to its threads, the one that was idle last first.

    The standard queue takes them in turn, so that every job meets a thread that has gone cold, and wakes a second one
    for nothing at each job: with as many threads, a review then takes a twentieth more of the worker's time.
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._waiting: deque[Any] = deque()
        self._idle: list[queue.SimpleQueue[Any]] = []

    def put(self, job: Any) -> None:
        with self._lock:
            if self._idle:
                self._idle.pop().put(job)
            else:
                self._waiting.append(job)

    def get(self, block: bool = True) -> Any:
        with self._lock:
            if self._waiting:
                return self._waiting.popleft()
            if not block:
                raise queue.Empty
            mine: queue.SimpleQueue[Any] = queue.SimpleQueue()
            self._idle.append(mine)
        return mine.get()

    def get_nowait(self) -> Any:
        return self.get(block=False)

    def qsize(self) -> int:
        return len(self._waiting)
