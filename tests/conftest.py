from __future__ import annotations

import pytest

from service.pipeline import Pipeline

# Before any test: what it takes out of the environment must not reach the service.
from tests.support import standards as standards
from tests.support.pipeline import pipeline as shared


@pytest.fixture(scope="session")
def pipeline() -> Pipeline:
    """The shipped rulebook under every shipped profile, built once a run."""
    return shared()
