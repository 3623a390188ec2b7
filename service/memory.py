"""How a process of ours uses memory; called once, where it starts."""

from __future__ import annotations

import ctypes
import gc
from collections.abc import Iterator
from contextlib import contextmanager

# mallopt(3): M_TRIM_THRESHOLD, M_MMAP_THRESHOLD, M_TOP_PAD. Without them glibc gives the engine's memory back and maps
# it again at every evaluation. M_ARENA_MAX: without it every thread evaluates in memory of its own, cold, and as large
# as the largest review (one worker, eight clients, 60 and 300 items: 200 MB, with one memory for all 138 MB).
_MALLOPT = ((-1, 256 << 20), (-3, 32 << 20), (-2, 8 << 20), (-8, 1))


def keep_freed_memory() -> None:
    """Have the C library keep what the engine gives back, for its next evaluation. Nothing where it is not glibc."""
    libc = ctypes.CDLL(None)
    if hasattr(libc, "gnu_get_libc_version"):
        for option, value in _MALLOPT:
            libc.mallopt(option, value)


@contextmanager
def loading() -> Iterator[None]:
    """Collect no garbage while what stays is loaded: to look through it again and again takes a quarter of the time."""
    gc.disable()
    try:
        yield
    finally:
        gc.enable()


def leave_loaded_objects_alone() -> None:
    """Take what is loaded out of every later garbage collection: it lives as long as the process.

    Pages that are shared with forked processes stay shared.
    """
    gc.collect()
    gc.freeze()
    gc.set_threshold(20_000, 20, 50)
