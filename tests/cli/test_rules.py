"""``rules list``, ``show`` and ``test``."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from service import cli
from service.commands.exit_status import FAILED, FAULTS, OK
from service.pipeline import Pipeline
from service.resources import rules_directory


def test_rules_list_and_show(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["rules", "list"]) == OK
    lines = capsys.readouterr().out.splitlines()
    assert lines == sorted(lines)
    number = lines[0].split()[0]
    assert cli.main(["rules", "show", number, "--json"]) == OK
    assert json.loads(capsys.readouterr().out)["id"] == number
    assert cli.main(["rules", "show", "RR-9999"]) == FAILED


def test_rules_test_by_prefix_and_path(capsys: pytest.CaptureFixture[str]) -> None:
    cli.main(["rules", "list"])
    number, phase = capsys.readouterr().out.splitlines()[0].split()[:2]
    assert cli.main(["rules", "test", "--only", number]) == OK
    assert "1 rule tested, 0 failures" in capsys.readouterr().out
    (path,) = (rules_directory() / phase).glob(f"{number}-*.yaml")
    assert cli.main(["rules", "test", str(path)]) == OK
    assert "1 rule tested, 0 failures" in capsys.readouterr().out
    assert cli.main(["rules", "test", "--only", "RR-9999"]) == FAILED


def test_an_example_that_cannot_be_read_is_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    house = tmp_path / "rules"
    shutil.copytree(rules_directory(), house)
    (file,) = house.glob("application/RR-1048-*.yaml")
    file.write_text(file.read_text("utf-8").replace("place: hips", "place: nowhere"), "utf-8")
    monkeypatch.setenv("RESTRAINT_REVIEW_RULES_DIR", str(house))
    assert cli.main(["rules", "test", "--only", "RR-1048"]) == FAULTS
    said = "".join(capsys.readouterr())
    assert said.count("RR-1048: place: not one of its values") == 1


def test_a_rule_is_shown_as_a_person_reads_it(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["rules", "show", "RR-1307"]) == OK
    shown = capsys.readouterr().out
    for words in (
        "RR-1307 Too long between two checks of one limb",
        "max_gap: 15 min (from 5 to 15",
        "Why:",
        "Sources:",
    ):
        assert words in shown
    assert max(map(len, shown.splitlines())) <= 80


def test_rules_test_runs_the_examples_under_every_profile(
    pipeline: Pipeline, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    built: list[set[str]] = []

    def self_test(self: Pipeline) -> list[str]:
        built.append(set(self._deciders))
        return ["RR-1307: an example does not hold"]

    monkeypatch.setattr(Pipeline, "self_test", self_test)
    assert cli.main(["rules", "test", "--only", "RR-1307"]) == FAULTS
    assert "RR-1307: an example does not hold\n1 rule tested, 1 failure\n" in capsys.readouterr().out
    assert built == [set(pipeline.rulebook.profiles)]


def test_a_rule_is_found_by_its_name_and_by_an_old_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    house = tmp_path / "rules"
    shutil.copytree(rules_directory(), house)
    (house / "redirects.yaml").write_text("redirects:\n  an-old-name: RR-1307\n", "utf-8")
    monkeypatch.setenv("RESTRAINT_REVIEW_RULES_DIR", str(house))
    shown = set()
    for name in ("RR-1307", "limb-check-gap-too-long", "an-old-name"):
        assert cli.main(["rules", "show", name]) == OK
        shown.add(capsys.readouterr().out)
    assert len(shown) == 1
