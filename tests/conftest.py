from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from typing import Any

import pytest

from service.pipeline import Pipeline

# Before any test: what it takes out of the environment must not reach the service.
from tests.support import standards as standards
from tests.support.pipeline import pipeline as shared
from tests.support.pipeline import said_by, share_builds

share_builds()


@pytest.fixture(scope="session")
def pipeline() -> Iterator[Pipeline]:
    """The shipped rulebook under every shipped profile, built once a process; no test may have changed it."""
    built = shared()
    said = said_by(built.rulebook)
    yield built
    assert said_by(built.rulebook) == said, "a test changed what others share"


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Files are given to the processes whole (``loadfile``), for what their tests share. Those that start servers come
    first, since they wait more than they work.
    """
    waiting = {item.path for item in items if item.get_closest_marker("live")}
    items.sort(key=lambda item: item.path not in waiting)


@pytest.hookimpl(wrapper=True, tryfirst=True)
def pytest_terminal_summary(terminalreporter: Any) -> Iterator[None]:
    """The last lines: how many tests were skipped, and why."""
    yield
    skipped = terminalreporter.stats.get("skipped", ())
    why = Counter(report.longrepr[2].removeprefix("Skipped: ") for report in skipped)
    terminalreporter.write_sep("-", f"{len(skipped)} skipped")
    for reason, count in why.most_common():
        terminalreporter.write_line(f"{count} skipped: {reason}")
