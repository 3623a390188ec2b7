"""schemathesis with a fixed seed and every check: every answer is one that the contract describes.

The command takes a record through every case of its schema too; here ``tests/api/test_refusals.py`` has every place of one.
"""

from __future__ import annotations

import subprocess

import pytest

from tests.ops import contract_fuzz

pytestmark = pytest.mark.live


def test_every_answer_is_one_that_the_contract_describes() -> None:
    _installed()
    status, cases, said = contract_fuzz.run(examples=12, seed=1, seconds=500, whole=False)
    assert status == 0, said[-6000:]
    assert cases >= 500


def test_every_check_is_named() -> None:
    """All that the installed version has, but those that have nothing to look at here."""
    found = subprocess.run([_installed(), "run", "--help"], capture_output=True, text=True, timeout=60, check=True)
    text = "".join(found.stdout.split())
    known = text[text.index("--checks") :]
    known = known[known.index("[possiblevalues:") + len("[possiblevalues:") :]
    names = set(known[: known.index("]")].split(",")) - {"all"}
    assert names, "the help has another form"
    assert names - {*contract_fuzz.CHECKS} <= contract_fuzz.LEFT_OUT.keys()


def _installed() -> str:
    found = contract_fuzz.program()
    if found is None:
        pytest.skip("schemathesis is not installed: it is in the test extra")
    return found
