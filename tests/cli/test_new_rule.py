"""A scaffolded rule fails until it is filled in."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from service import cli
from service.commands.exit_status import FAILED, OK
from service.pipeline import Pipeline
from service.resources import rules_directory
from service.rulebook.load import RulebookError


def test_a_new_rule_fails_until_it_is_filled_in(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    house = tmp_path / "rules"
    shutil.copytree(rules_directory(), house)
    asked = ["rules", "new", "belt-left-open", "--phase", "application", "--about", "belt", "--into", str(house)]
    assert cli.main(asked) == OK
    (made,) = house.glob("application/*-belt-left-open.yaml")
    assert made.name in capsys.readouterr().out
    with pytest.raises(RulebookError) as caught:
        Pipeline.build(house)
    assert [line for line in caught.value.lines if made.name in line and "filled in" in line]
    assert cli.main(asked) == FAILED  # nothing is written over


@pytest.mark.parametrize(("flag", "word"), [("--phase", "nowhere"), ("--about", "nothing")])
def test_unknown_words_are_refused(flag: str, word: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    given = {"--phase": "team", "--about": "person", "--into": str(tmp_path), flag: word}
    assert cli.main(["rules", "new", "some-new-rule", *(x for pair in given.items() for x in pair)]) == FAILED
    assert "is one of" in capsys.readouterr().err
    assert not list(tmp_path.rglob("*.yaml"))
