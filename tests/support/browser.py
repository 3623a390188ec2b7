"""Headless Chromium for the tests of the pages, and axe-core in it.

A machine without the browser skips these tests and says why; ``.ci/run`` installs it where it may.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest

CHROMIUM = os.environ.get("CHROMIUM") or next(
    (found for name in ("chromium", "chromium-browser", "google-chrome") if (found := shutil.which(name))), None
)
needs_browser = pytest.mark.skipif(
    CHROMIUM is None, reason="no browser: apt-get install chromium, or name one in CHROMIUM"
)

#: Quiet, and no service of the browser's own.
_FLAGS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
]  # fmt: skip
#: WCAG 2.2 at level A and AA, as axe-core names it.
_TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]


@contextmanager
def running() -> Iterator[Any]:
    """A browser; the test is skipped where the packages that drive it are not installed."""
    reason = "no playwright: pip install '.[test]'"
    playwright = pytest.importorskip("playwright.sync_api", reason=reason)
    with playwright.sync_playwright() as driver:
        started = driver.chromium.launch(executable_path=CHROMIUM, args=_FLAGS)
        yield started
        started.close()


def violations(tab: Any, *rules: str) -> list[dict[str, Any]]:
    """What axe-core finds on the page as it stands, by these rules or by all; the empty list when nothing."""
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="no axe-core: pip install '.[test]'")
    only = {"type": "rule", "values": list(rules)} if rules else {"type": "tag", "values": _TAGS}
    found = axe.Axe().run(tab, options={"runOnly": only})
    return list(found.response["violations"])
