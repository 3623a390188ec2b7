from __future__ import annotations

import io
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from service.app import Application, create_app
from service.observe import log
from service.pipeline import Pipeline
from service.resources import demo_directory
from service.settings import Settings
from tests.contract.checked import Client, Contract
from tests.support import episodes

#: Small, so that the tests of the limit stay small.
MOST_BYTES = 512 * 1024


@pytest.fixture(scope="session")
def contract() -> Contract:
    return Contract()


@pytest.fixture(scope="session")
def app(pipeline: Pipeline) -> Application:
    return create_app(Settings(max_body_bytes=MOST_BYTES), pipeline)


@pytest.fixture
def client(app: Application, contract: Contract) -> Client:
    return Client(app, contract)


@pytest.fixture
def logged() -> Iterator[Callable[[], str]]:
    """What has been logged since the test began, every level."""
    stream = io.BytesIO()
    log.configure("debug", stream.write)
    yield lambda: stream.getvalue().decode()
    log.configure("info")


@pytest.fixture(scope="session")
def exemplary_bytes() -> bytes:
    return (demo_directory() / "exemplary.json").read_bytes()


@pytest.fixture
def exemplary() -> Any:
    return episodes.exemplary()
