"""Python's garbage collector, once the rulebook is loaded."""

from __future__ import annotations

import gc


def settle() -> None:
    """Leave what is loaded out of every later pass: it lives as long as the process, and pages shared by a fork stay shared."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(20_000, 20, 50)
