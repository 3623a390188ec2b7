from __future__ import annotations

from pathlib import Path

import pytest


@pytest.fixture(scope="session")
def mypy_cache(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A cache for all runs of mypy: the second takes what the first has found out."""
    return tmp_path_factory.mktemp("mypy")
