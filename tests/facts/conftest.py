from __future__ import annotations

import pytest

from service.pipeline import Pipeline


@pytest.fixture(scope="session")
def pipeline() -> Pipeline:
    return Pipeline.build()
