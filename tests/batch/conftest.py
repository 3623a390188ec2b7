from __future__ import annotations

import pytest

from service.pipeline import Pipeline
from tests.support.pipeline import pipeline as shared


@pytest.fixture(scope="session")
def pipeline() -> Pipeline:
    return shared()
