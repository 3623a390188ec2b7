"""Functions made from source that this package writes: the one place that executes text.

The text is written when the rulebook is loaded, from names and words that the
rulebook's own checks have passed, as literals. Nothing of any record, and
nothing of any request, is ever part of it.
"""

from __future__ import annotations

import functools
from collections.abc import Callable
from typing import Any


@functools.cache  # most rules read the same under every profile
def function(text: str, **names: Any) -> Callable[..., Any]:
    """The function ``made`` that the text defines; ``names``: what it may call, by name."""
    space: dict[str, Any] = dict(names)
    exec(compile(text, "<made from the rulebook>", "exec"), space)  # noqa: S102
    return space["made"]  # type: ignore[no-any-return]
