"""Jobs on a cluster of dask.distributed (the extra ``dask``).

Every machine needs this package in the same version, the rulebook under the
same path, and inputs and folder under the same names: on a shared disk, or at
an URL that fsspec can open. Give each worker one thread: an evaluation holds a
lock. Only paths, numbers and names of groups pass through the scheduler, so
nothing of an episode shows in its dashboard or its log.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from typing import Any, TypeVar

from distributed.scheduler import KilledWorker  # type: ignore[import-not-found,import-untyped,unused-ignore]

from .runner import WorkerLost

#: Ranges submitted at one time for each thread of the cluster.
_AHEAD = 3

A = TypeVar("A")
B = TypeVar("B")


class Cluster:
    """Workers of a cluster, reached through a ``distributed.Client``.

    A range whose worker dies is done again by another; its files have the same names.
    """

    def __init__(self, client: Any) -> None:
        self._client = client

    def map(self, do: Callable[[A], B], items: Iterable[A]) -> Iterator[B]:
        """The results of ``do``, in the order of the items. Raises WorkerLost where one range has ended several workers."""
        waiting: deque[tuple[A, Any]] = deque()
        rest = iter(items)
        while True:
            most = max(1, sum(self._client.nthreads().values())) * _AHEAD
            while len(waiting) < most and (item := next(rest, None)) is not None:
                # Not pure: dask would keep results by the hash of the arguments.
                waiting.append((item, self._client.submit(do, item, pure=False)))
            if not waiting:
                return
            item, future = waiting.popleft()
            try:
                found = future.result()
            except KilledWorker:
                raise WorkerLost([item]) from None
            yield found
