"""A job over files on all cores of this machine.

Only a few ranges are submitted at a time, so that neither the input nor the
results are ever all in memory.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, field
from typing import Any, Protocol, TypeVar

from . import blocks
from .blocks import Block
from .jobs import Done, Job

#: Ranges submitted at one time for each process: one that it works on, one that waits.
_AHEAD = 2
#: The most lines without a review that are named.
MOST_NAMED = 20

A = TypeVar("A")
B = TypeVar("B")


class WorkerLost(Exception):
    """A process ended in the middle of its work. ``items``: those that were not finished; all others are kept."""

    def __init__(self, items: list[Any]) -> None:
        super().__init__()
        self.items = items


class Workers(Protocol):
    """What does the work: processes of this machine, or a cluster."""

    def map(self, do: Callable[[A], B], items: Iterable[A]) -> Iterator[B]:
        """Results in the order of the items. Raises WorkerLost."""


class Processes:
    """Processes of this machine, forked from this one when it has compiled and tested the rulebook, which they share.

    A process that ends is an error with its place (``BrokenProcessPool``), where a ``multiprocessing.Pool`` would wait
    for ever. A context manager: leaving it waits for the ranges that are worked on, and drops those that wait.
    """

    def __init__(self, number: int | None = None) -> None:
        self.number = number or len(os.sched_getaffinity(0))
        self._pool = ProcessPoolExecutor(self.number, multiprocessing.get_context("fork"), _begin)

    def __enter__(self) -> Processes:
        return self

    def __exit__(self, *_: object) -> None:
        self._pool.shutdown(wait=True, cancel_futures=True)

    def map(self, do: Callable[[A], B], items: Iterable[A]) -> Iterator[B]:
        """Results in the order of the items."""
        waiting: deque[tuple[A, Future[B]]] = deque()
        rest = iter(items)
        while True:
            while len(waiting) < self.number * _AHEAD and (item := next(rest, None)) is not None:
                waiting.append((item, self._submit(do, item, waiting)))
            if not waiting:
                return
            try:
                found = waiting[0][1].result()
            except BrokenProcessPool:
                raise WorkerLost([item for item, _ in waiting]) from None
            waiting.popleft()
            yield found

    def _submit(self, do: Callable[[A], B], item: A, waiting: Iterable[tuple[A, Future[B]]]) -> Future[B]:
        try:
            return self._pool.submit(do, item)
        except BrokenProcessPool:
            raise WorkerLost([each for each, _ in waiting]) from None


def _begin() -> None:
    """In each process: leave Ctrl-C to the parent, and end when the parent is gone."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    parent = multiprocessing.parent_process()
    assert parent is not None

    def watch() -> None:
        parent.join()
        os._exit(1)

    threading.Thread(target=watch, daemon=True).start()


@dataclass(slots=True)
class Totals:
    """What became of all lines. ``named``: (file, line, code, location) of the first without a review."""

    lines: int = 0
    empty: int = 0
    reviewed: int = 0
    rejected: int = 0
    not_evaluated: int = 0
    reused: int = 0
    named: list[tuple[str, int, str, str]] = field(default_factory=list)

    def add(self, done: Done, file: str) -> None:
        """Count one range."""
        for name in ("lines", "empty", "reviewed", "rejected", "not_evaluated"):
            setattr(self, name, getattr(self, name) + getattr(done, name))
        self.reused += done.lines - done.empty if done.reused else 0
        room = MOST_NAMED - len(self.named)
        self.named += [(file, *entry) for entry in done.named[:room]]

    @property
    def bad(self) -> int:
        """Lines without a review."""
        return self.rejected + self.not_evaluated


class Progress(Protocol):
    """What is told how far the work is, such as a progress bar."""

    def begin(self, lines: int) -> None:
        """The work has so many lines."""

    def step(self, lines: int, *, reused: bool) -> None:
        """So many more lines are done; ``reused``: by an earlier run."""


def run(
    job: Job, paths: list[str], workers: Workers, progress: Progress, size: int = blocks.SIZE
) -> Iterator[tuple[Block, Done]]:
    """(range, what became of it) for all ranges in order. Raises OSError, WorkerLost, DifferentRules."""
    cut = blocks.cut(paths, size)
    ended = list(workers.map(blocks.count_lines, cut))
    placed = blocks.place(cut, ended)
    progress.begin(sum(ended))
    for block, done in zip(cut, workers.map(job.run, placed), strict=True):
        progress.step(done.lines, reused=done.reused)
        yield block, done


def count_lines(paths: list[str]) -> int:
    """Lines of all files, each chart of a document aside."""
    return sum(map(blocks.count_lines, blocks.cut(paths)))
