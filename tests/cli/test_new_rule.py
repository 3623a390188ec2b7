"""A scaffolded rule fails until it is filled in."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from service import cli
from service.pipeline import Pipeline
from service.resources import rules_directory
from service.rulebook.load import RulebookError


def test_a_new_rule_fails_until_it_is_filled_in(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    house = tmp_path / "rules"
    shutil.copytree(rules_directory(), house)
    asked = ["rules", "new", "belt-left-open", "--phase", "application", "--about", "belt", "--into", str(house)]
    assert cli.main(asked) == cli.OK
    (made,) = house.glob("application/*-belt-left-open.yaml")
    assert made.name in capsys.readouterr().out
    with pytest.raises(RulebookError) as caught:
        Pipeline.build(house)
    assert [line for line in caught.value.lines if made.name in line and "filled in" in line]
    assert cli.main(asked) == cli.FAILED  # nothing is written over


def test_an_example_that_cannot_be_read_is_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    house = tmp_path / "rules"
    shutil.copytree(rules_directory(), house)
    (file,) = house.glob("application/RR-1048-*.yaml")
    file.write_text(file.read_text("utf-8").replace("place: hips", "place: nowhere"), "utf-8")
    monkeypatch.setenv("RESTRAINT_REVIEW_RULES_DIR", str(house))
    assert cli.main(["rules", "test", "--only", "RR-1048"]) == cli.FAULTS
    said = "".join(capsys.readouterr())
    assert said.count("RR-1048: place: not one of its values") == 1


def test_a_rule_is_shown_as_a_person_reads_it(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["rules", "show", "RR-1307"]) == cli.OK
    shown = capsys.readouterr().out
    for words in (
        "RR-1307 Too long between two checks of one limb",
        "max_gap: 15 min (from 5 to 15",
        "Why:",
        "Sources:",
    ):
        assert words in shown
    assert max(map(len, shown.splitlines())) <= 80


@pytest.mark.parametrize(("flag", "word"), [("--phase", "nowhere"), ("--about", "nothing")])
def test_unknown_words_are_refused(flag: str, word: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    given = {"--phase": "team", "--about": "person", "--into": str(tmp_path), flag: word}
    assert cli.main(["rules", "new", "some-new-rule", *(x for pair in given.items() for x in pair)]) == cli.FAILED
    assert "is one of" in capsys.readouterr().err
    assert not list(tmp_path.rglob("*.yaml"))
