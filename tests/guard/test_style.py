"""ruff and mypy, as the project sets them."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]


@pytest.mark.parametrize(
    "command",
    [["ruff", "check", "--no-cache", "."], ["ruff", "format", "--no-cache", "--check", "."], ["mypy", "--cache-dir"]],
    ids=lambda c: " ".join(c[:2]),
)
def test_clean(command: list[str], mypy_cache: Path) -> None:
    if command[0] == "mypy":
        command = [*command, str(mypy_cache)]
    done = subprocess.run([sys.executable, "-m", *command], cwd=ROOT, capture_output=True, text=True, timeout=300)
    assert done.returncode == 0, done.stdout + done.stderr


def test_no_module_is_longer_than_one_can_read() -> None:
    """A table of codes that is longer would have to be named here."""
    long = {
        str(path.relative_to(ROOT)): len(path.read_text("utf-8").splitlines())
        for path in (ROOT / "service").rglob("*.py")
    }
    assert {name: lines for name, lines in long.items() if lines > 450} == {}
