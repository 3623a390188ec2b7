"""The frame of the command line: every command is there, and each loads no more than it needs."""

from __future__ import annotations

import argparse
import importlib
import os
import pkgutil
import re
import subprocess
import sys
from pathlib import Path

import pytest

from service import __version__, cli, commands
from service.commands.exit_status import FAILED, OK, CommandFailed
from service.resources import demo_directory

EXEMPLARY = str(demo_directory() / "exemplary.json")
#: What is heavy or has side effects: the engine, the web framework, the formats' XML, the HTTP client, the worker pool.
HEAVY = {
    "durable",
    "durable_rules_engine",
    "flask",
    "gunicorn",
    "lxml",
    "requests",
    "concurrent.futures.process",
    "scipy",
    "numpy",
}


def loaded_by(*arguments: str) -> set[str]:
    """The modules that a command has loaded when it ends."""
    code = "import sys\nfrom service.cli import main\ntry:\n    main(sys.argv[1:])\nfinally:\n    print(*sys.modules, file=sys.stderr)"
    done = subprocess.run([sys.executable, "-c", code, *arguments], capture_output=True, text=True, check=True)
    return set(done.stderr.split())


def test_every_module_of_a_command_is_registered(capsys: pytest.CaptureFixture[str]) -> None:
    modules = {each.name for each in pkgutil.iter_modules(commands.__path__)}
    names = {name for name in modules if hasattr(importlib.import_module(f"service.commands.{name}"), "register")}
    with pytest.raises(SystemExit):
        cli.main(["--help"])
    told = capsys.readouterr().out
    told_of = {}
    for group in ("rules", "profiles"):
        with pytest.raises(SystemExit):
            cli.main([group, "--help"])
        told_of[group] = capsys.readouterr().out
    for name in names:
        group, _, command = name.partition("_")
        assert re.search(rf"\n    {command or group}\s", told_of[group] if command else told), name
    assert len(names) >= 13


def test_version(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        cli.main(["--version"])
    assert capsys.readouterr().out == f"{__version__}\n"


@pytest.mark.parametrize(
    ("arguments", "may"),
    [
        (["keys", "make"], set()),
        (["rules", "list"], set()),
        (["rules", "show", "RR-1307"], set()),
        (["convert", EXEMPLARY, "--to", "fhir"], set()),
        (["check", EXEMPLARY], {"durable", "durable_rules_engine", "lxml"}),
    ],
    ids=lambda each: " ".join(each[:2]) if isinstance(each, list) else "",
)
def test_a_command_loads_what_it_needs(arguments: list[str], may: set[str]) -> None:
    loaded = loaded_by(*arguments)
    assert "service.settings" in loaded
    assert loaded & HEAVY == may
    if not may:
        assert not loaded & {"service.pipeline", "service.engine.compile"}


@pytest.mark.parametrize(
    ("raised", "status", "said"),
    [(CommandFailed("one", "two"), FAILED, "one\ntwo\n"), (KeyboardInterrupt(), 130, "")],
)
def test_what_ends_a_command(
    raised: BaseException, status: int, said: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def run(_arguments: argparse.Namespace) -> int:
        raise raised

    monkeypatch.setattr(cli, "_parser", lambda: argparse.ArgumentParser())
    monkeypatch.setattr(argparse.ArgumentParser, "parse_args", lambda *_: argparse.Namespace(run=run))
    assert cli.main([]) == status
    assert capsys.readouterr().err == said


def test_a_reader_that_has_gone_is_no_fault() -> None:
    reading, writing = os.pipe()
    os.close(reading)
    with os.fdopen(writing, "wb") as closed:
        done = subprocess.run(
            [sys.executable, "-m", "service.cli", "rules", "list"], stdout=closed, stderr=subprocess.PIPE, check=False
        )
    assert (done.returncode, done.stderr) == (OK, b"")


def test_a_fault_of_the_rulebook_is_a_line_each(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "team").mkdir()
    for number in (1, 2):
        (tmp_path / "team" / f"RR-999{number}-some-rule.yaml").write_text("id: RR-9991\n")
    monkeypatch.setenv("RESTRAINT_REVIEW_EXTRA_RULES_DIR", str(tmp_path))
    for arguments in (
        ["rules", "list"],
        ["rules", "show", "RR-1307"],
        ["rules", "test", "--only", "RR-1307"],
        ["check", EXEMPLARY],
        ["measures", EXEMPLARY],
    ):
        assert cli.main(arguments) == FAILED
        out, err = capsys.readouterr()
        assert out == ""
        assert [line.split(":")[0] for line in err.splitlines()] == [
            f"team/RR-999{number}-some-rule.yaml" for number in (1, 2)
        ]
