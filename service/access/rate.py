"""How often a client may call."""

from __future__ import annotations

import threading
import time
from collections import OrderedDict

#: The most clients that are counted; those that have not called for longest are dropped first.
_MOST_COUNTED = 1024


class Rate:
    """So many requests per minute for each client: a token bucket that holds a tenth of them."""

    def __init__(self, per_minute: int) -> None:
        self._per_second = per_minute / 60
        self._most = max(1.0, per_minute / 10)
        self._buckets: OrderedDict[str, tuple[float, float]] = OrderedDict()
        self._lock = threading.Lock()

    def wait(self, key: str) -> int:
        """0 where a request of this client may pass, which is counted then; else the seconds until one may."""
        now = time.monotonic()
        with self._lock:
            level, then = self._buckets.pop(key, (self._most, now))
            level = min(self._most, level + (now - then) * self._per_second)
            passes = level >= 1
            self._buckets[key] = (level - 1 if passes else level, now)
            if len(self._buckets) > _MOST_COUNTED:
                self._buckets.popitem(last=False)
        return 0 if passes else int((1 - level) / self._per_second) + 1
