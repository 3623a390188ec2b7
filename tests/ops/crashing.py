"""A test-only entry for the server: the real application, with ways to break its process.

``python -m tests.ops.serve tests.ops.crashing``.
Outside the package, so that nothing of it can be in an installation.
"""

from __future__ import annotations

import ctypes
import time
from collections.abc import Callable, Iterable
from typing import Any

import durable_rules_engine  # type: ignore[import-not-found,unused-ignore]

from service import wsgi
from service.observe import metrics
from service.settings import Settings


def _segfault(*_: object) -> None:
    ctypes.string_at(0)  # a read of address 0 in C, as a fault of the engine would be


def build(settings: Settings) -> Callable[..., Iterable[bytes]]:
    """The application; ``X-Test-Segfault`` crashes inside the engine's call, ``X-Test-Slow`` waits first.

    ``X-Test-Dispute`` counts a disagreement about the rule it names.
    """
    real = wsgi.build(settings)
    return lambda environ, start_response: _broken(real, environ, start_response)


def _broken(real: Callable[..., Iterable[bytes]], environ: dict[str, Any], start_response: Any) -> Iterable[bytes]:
    if "HTTP_X_TEST_SLOW" in environ:
        time.sleep(float(environ["HTTP_X_TEST_SLOW"]))
    if "HTTP_X_TEST_SEGFAULT" in environ:
        durable_rules_engine.assert_facts = _segfault
    if "HTTP_X_TEST_DISPUTE" in environ:
        metrics.reviewed({}, (environ["HTTP_X_TEST_DISPUTE"],))
    return real(environ, start_response)
