"""Files of a rulebook that are broken: one clear line for each, never a traceback, by every command alike."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from service import cli
from service.commands.exit_status import FAILED
from service.intake import strict_yaml
from service.resources import demo_directory, rules_directory
from service.rulebook.load import RulebookError, load_rulebook
from service.rulebook.profiles import load_profiles
from tests.support.pipeline import pipeline

BROKEN = {
    "a list": ("- a\n", "Expected a mapping, got a list"),
    "nothing": ("", "Expected a mapping, got nothing"),
    "text": ("just words\n", "Expected a mapping, got text"),
    "half written": ("sources: [1", "did not find expected"),
    "no text": ("\x00", "not YAML"),
}


@pytest.mark.parametrize("name", ["vocabulary", "inputs", "sources", "ruleset", "redirects"])
@pytest.mark.parametrize("kind", [*BROKEN, "missing"])
def test_a_file_of_the_rulebook(tmp_path: Path, name: str, kind: str) -> None:
    rules = tmp_path / "rules"
    rules.mkdir()
    for path in rules_directory().glob("*.yaml"):
        shutil.copy(path, rules)
    said = "not there"
    (rules / f"{name}.yaml").unlink()
    if kind != "missing":
        text, said = BROKEN[kind]
        (rules / f"{name}.yaml").write_text(text)
    with pytest.raises(RulebookError) as fault:
        load_rulebook(rules)
    (line,) = fault.value.lines
    assert line.startswith(f"{name}.yaml")
    assert said in line


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("words_of: Team.highest_level", "words_of: Team.no_such", "Team.no_such"),
        ("members_of: [LimbCheck]", "members_of: [LimbTest]", "LimbTest"),
        ("factor: 60", "factor: many", "Expected `int`"),
    ],
)
def test_a_part_of_the_vocabulary(tmp_path: Path, old: str, new: str, said: str) -> None:
    for path in rules_directory().glob("*.yaml"):
        shutil.copy(path, tmp_path)
    shutil.copytree(rules_directory() / "narrative", tmp_path / "narrative")
    written = (tmp_path / "vocabulary.yaml").read_text("utf-8")
    assert old in written
    (tmp_path / "vocabulary.yaml").write_text(written.replace(old, new), "utf-8")
    with pytest.raises(RulebookError) as fault:
        load_rulebook(tmp_path)
    (line,) = fault.value.lines
    assert line.startswith("vocabulary.yaml: ")
    assert said in line


@pytest.mark.parametrize(
    ("text", "said"),
    [
        *BROKEN.values(),
        ("sources: 3\n", "at `.sources`"),
        ("sources: {our-protocol: {title: Protocol}}\n", "missing required field `publisher`"),
        ("facts: {OUR-01: {says: x, source: nobody, confidence: read}}\n", "names an unknown source"),
    ],
)
def test_sources_of_an_agency(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], text: str, said: str
) -> None:
    agency = tmp_path / "our-agency"
    (agency / "profiles").mkdir(parents=True)
    (agency / "sources.yaml").write_text(text)
    monkeypatch.setenv("RESTRAINT_REVIEW_EXTRA_RULES_DIR", str(agency))
    for command in (["check", str(demo_directory() / "exemplary.json")], ["rules", "list"]):
        assert cli.main(command) == FAILED
        (line,) = capsys.readouterr().err.splitlines()
        assert "sources.yaml" in line
        assert said in line


@pytest.mark.parametrize(
    ("text", "said"),
    [
        *BROKEN.values(),
        ("profile: agency\nversion: one\ntitle: x\n", "Expected `int`, got text - at `.version`"),
        ("profile: agency\nversion: 1\ntitle: x\noff: RR-1128\n", "Expected a list, got text - at `.off`"),
        ("profile: agency\nversion: 1\ntitle: x\nseverities: {RR-1045: {severity: info, source: []}}\n", "RR-1045"),
    ],
)
def test_a_profile_of_an_agency(tmp_path: Path, text: str, said: str) -> None:
    (tmp_path / "agency.yaml").write_text(text)
    book = pipeline().rulebook
    found, (line,) = load_profiles(tmp_path, {rule.id: rule for rule in book.rules}, book.shared, book.sources)
    assert not found
    assert line.startswith("agency.yaml:")
    assert said in line or "a list or a mapping stands where a word is asked for" in line


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("a: &x [1]\nb: *x\n", "aliases"),
        ("a: &x {c: 1}\nb: *x\n", "aliases"),
        ("a: &x word\nb: *x\n", "aliases"),
        ('a: "\\e[31m"\n', "control"),
        ('"a\\e": 1\n', "control"),
        ("a: 1\na: 2\n", "twice"),
        ("<<: {a: 1}\n", "plain text"),
        ("a: !!python/name:os.system\n", "constructor"),
        ("a: !!timestamp 2001-01-01\n", "constructor"),
        ("!!map [1]\n", "constructor"),
        ("a: !!int x\n", "not of its tag"),
        ("a: !!bool yes\n", "not of its tag"),
    ],
)
def test_yaml_that_is_refused(text: str, said: str) -> None:
    with pytest.raises(strict_yaml.YamlError, match=said):
        strict_yaml.loads(text, "file")


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        (
            "  - A meter reading of Low counts as 0.",
            "  - A meter reading: Low counts as 0.",
            "known_limits, entry 2: a text; one with a colon in it stands in quotes",
        ),
        ("answers: [G-02, G-03]", "answers: G-02", "answers: a list of texts"),
        ("answers: [G-02, G-03]", "answers: [G-02, {G-03: x}]", "answers, entry 2: a text"),
        ("title: Very low blood glucose with no response charted", "title: {Very low: x}", "title: a text"),
    ],
)
def test_a_colon_that_makes_a_mapping_of_a_text(tmp_path: Path, old: str, new: str, said: str) -> None:
    rules = tmp_path / "rules"
    shutil.copytree(rules_directory(), rules)
    (path,) = rules.glob("monitoring/RR-1388-*.yaml")
    written = path.read_text("utf-8")
    assert old in written
    path.write_text(written.replace(old, new), "utf-8")
    with pytest.raises(RulebookError) as fault:
        load_rulebook(rules)
    (line,) = fault.value.lines
    assert path.name in line and said in line


@pytest.mark.parametrize(
    "place",
    ["RR-9001-some-rule.yaml", "recrod/RR-9001-some-rule.yaml", "record/RR-9001-some-rule.yml", "profiles/other.yml"],
)
def test_a_file_of_an_agency_that_nobody_would_read(tmp_path: Path, place: str) -> None:
    """A rule in a folder of another name is said, not passed over."""
    (tmp_path / "profiles").mkdir()
    (tmp_path / place).parent.mkdir(exist_ok=True)
    (tmp_path / place).write_text("id: RR-9001\n")
    with pytest.raises(RulebookError) as fault:
        load_rulebook(rules_directory(), tmp_path)
    assert [line.split(": not read")[0] for line in fault.value.lines] == [place]


@pytest.mark.parametrize("make", [lambda path: path.symlink_to("nowhere"), os.mkfifo])
def test_a_rule_of_an_agency_that_is_no_file(tmp_path: Path, make: Callable[[Path], None]) -> None:
    """A link whose target has gone is said; a pipe is not waited for."""
    rule = tmp_path / "record" / "RR-9001-some-rule.yaml"
    rule.parent.mkdir()
    make(rule)
    with pytest.raises(RulebookError) as fault:
        load_rulebook(rules_directory(), tmp_path)
    assert fault.value.lines == ["record/RR-9001-some-rule.yaml: RR-9001-some-rule.yaml: not there, or no regular file"]
