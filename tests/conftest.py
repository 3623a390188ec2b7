from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from typing import Any

import pytest

from service.pipeline import Pipeline

# Before any test: what it takes out of the environment must not reach the service.
from tests.support import standards as standards
from tests.support.pipeline import pipeline as shared


@pytest.fixture(scope="session")
def pipeline() -> Pipeline:
    """The shipped rulebook under every shipped profile, built once a process."""
    return shared()


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Give each file to one process, for what its tests share; and all that start a server to one process, which begins
    with them: no two servers at once, and what waits does not come last.
    """
    for item in items:
        if item.get_closest_marker("live"):
            item.add_marker(pytest.mark.xdist_group("live"))
        elif not item.get_closest_marker("xdist_group"):
            item.add_marker(pytest.mark.xdist_group(item.nodeid.partition("::")[0]))
    items.sort(key=lambda item: item.get_closest_marker("live") is None)


@pytest.hookimpl(wrapper=True, tryfirst=True)
def pytest_terminal_summary(terminalreporter: Any) -> Iterator[None]:
    """The last lines: how many tests were skipped, and why."""
    yield
    skipped = terminalreporter.stats.get("skipped", ())
    why = Counter(report.longrepr[2].removeprefix("Skipped: ") for report in skipped)
    terminalreporter.write_sep("-", f"{len(skipped)} skipped")
    for reason, count in why.most_common():
        terminalreporter.write_line(f"{count} skipped: {reason}")
