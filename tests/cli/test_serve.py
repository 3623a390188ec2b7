"""``serve``: settings are looked at first, and the server takes the place of the command."""

from __future__ import annotations

import subprocess
import sys

import pytest

from service import cli
from service.commands.exit_status import FAILED
from service.server import process

COMMAND = [sys.executable, "-m", "service.cli"]


def test_serve_refuses_an_address_others_reach(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["serve", "--host", "0.0.0.0"]) == FAILED
    assert "--public" in capsys.readouterr().err


def test_serve_refuses_a_bad_setting(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.setenv("RESTRAINT_REVIEW_COLOUR", "red")
    assert cli.main(["serve", "--port", "none"]) == FAILED
    assert len(capsys.readouterr().err.splitlines()) == 2


@pytest.mark.live
def test_serve_runs_until_it_is_ended() -> None:
    port = process.free_port()
    child = subprocess.Popen([*COMMAND, "serve", "--port", str(port), "--workers", "1"], stderr=subprocess.DEVNULL)
    try:
        process.wait_ready(f"http://127.0.0.1:{port}", child)
    finally:
        assert process.end(child) == 0
