"""At least 10,000 cases of schemathesis with a fixed seed: every answer is one that the contract describes."""

from __future__ import annotations

import pytest

from tests.ops import contract_fuzz

pytestmark = pytest.mark.live


def test_ten_thousand_cases() -> None:
    if contract_fuzz.program() is None:
        pytest.skip("schemathesis is not installed: it is in the test extra")
    status, cases, said = contract_fuzz.run(examples=12, seed=1, seconds=500)
    assert status == 0, said[-6000:]
    assert cases >= 10_000
