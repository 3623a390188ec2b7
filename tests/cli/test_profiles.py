"""The profile workbench: list, show, make, check and compare, as somebody does who has never written one."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from service import cli
from service.commands.exit_status import FAILED, FAULTS, OK

SOURCES = 'sources:\n  our-county:\n    title: Restraint protocol\n    publisher: Our County EMS\n    edition: "2031"\n'


def said(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    status = cli.main(["profiles", *words])
    told = capsys.readouterr()
    return status, told.out, told.err


def test_each_is_listed_and_shown_with_its_sources(capsys: pytest.CaptureFixture[str]) -> None:
    status, out, _ = said(capsys, "list")
    assert status == OK
    assert re.search(r"^default +served", out, re.M)
    assert "los-angeles-2025" in out
    status, out, _ = said(capsys, "show", "los-angeles-2025")
    assert "RR-1250.max Midazolam, total over the limit: 20 mg (default 10 mg); los-angeles-2025, TP 1209" in out
    assert "edition: July 2025\nreviewed: 2026-11-29" in out
    status, _, err = said(capsys, "show", "nowhere")
    assert status == FAILED
    assert "maine-2025" in err


def test_two_are_held_side_by_side(capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = said(capsys, "diff", "maine-2025", "michigan-2023")
    assert "child_under: 16 years -> 14 years" in out
    assert "--left maine-2025 --right michigan-2023" in out
    assert said(capsys, "diff", "maine-2025", "maine-2025")[1].startswith("0 differ")


@pytest.mark.parametrize("start", ["default", "maine-2025"])
def test_a_new_one_is_refused_until_it_is_filled_in(
    start: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    asked = ("new", "our-county", "--from", start, "--into", str(tmp_path))
    file = tmp_path / "profiles" / "our-county.yaml"
    assert said(capsys, *asked)[0] == OK
    text = file.read_text("utf-8")
    assert "# Limb checks at least every ... min   (5 to 15; default 15, from clark-2025)" in text
    assert said(capsys, *asked)[0] == FAILED  # nothing is written over
    status, out, _ = said(capsys, "check", str(file))
    assert status == FAULTS
    assert "our-county.yaml, line" in out
    assert "sources.yaml: FILL-IN" in out
    assert text.count("off:") == 1  # a second one, taken out of its comment, would be refused
    file.write_text(text.replace("FILL-IN ", ""), "utf-8")
    (tmp_path / "sources.yaml").write_text(SOURCES, "utf-8")
    status, out, _ = said(capsys, "check", str(file))
    assert (status, out.split(".")[0]) == (OK, "our-county: nothing is wrong")
    monkeypatch.setenv("RESTRAINT_REVIEW_EXTRA_RULES_DIR", str(tmp_path))
    assert said(capsys, "diff", start, "our-county")[1].startswith("0 differ")


@pytest.mark.parametrize(
    ("wrong", "line", "told"),
    [
        ("parameters:\n  RR-1307: {max_gap: {value: 60, source: our-county}}\n", 5, "outside 5 to 15"),
        ("parameters:\n  RR-1307:\n    max_gap: {value: 10}\n", 6, "a value needs a source"),
        ("parameters:\n  RR-1307:\n", 5, "RR-1307: no number stands below it"),
        ("parameters:\n  # max_gap: 1\n  max_gap: {value: 10, source: our-county}\n", 6, "unknown rule max_gap"),
        ("parameters:\n  RR-1250: {critical: {value: 20, source: our-county}}\n", 5, "follows RR-1250.max"),
        ("parameters:\n  RR-1250: {most: {value: 20, source: our-county}}\n", 5, "unknown parameter most"),
        ("parameters:\n  RR-0001: {max: {value: 20, source: our-county}}\n", 5, "unknown rule RR-0001"),
        ("shared: {child_under: {value: 30, source: our-county}}\n", 4, "outside 10 to 18"),
        ("severities:\n  RR-1045: {severity: grave, source: our-county}\n", 5, "severity is not allowed"),
        ("severities:\n  RR-1017: {severity: info, source: our-county, page: 3}\n", 5, "unknown: page"),
        ("severities:\n  RR-1045: [warning]\n", None, ""),
        ("off:\n  - {rule: RR-1128, reason: x, owner: y, ends: 2031}\n", 5, "needs reason, owner and end date"),
        ("off:\n  - {rule: RR-1128, reason: x, owner: y, end: x}\n", 5, "unknown: end"),
        ("offf: []\n", 4, "unknown: offf"),
        ('reviewed: "soon"\n', 4, "reviewed: a day"),
    ],
)
def test_a_slip_names_its_line_and_what_is_right(
    wrong: str, line: int | None, told: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "profiles").mkdir()
    (tmp_path / "sources.yaml").write_text(SOURCES, "utf-8")
    file = tmp_path / "profiles" / "our-county.yaml"
    file.write_text("profile: our-county\nversion: 1\ntitle: Ours\n" + wrong, "utf-8")
    status, out, err = said(capsys, "check", str(file))
    assert status == FAULTS
    assert "Traceback" not in out + err
    first = out.splitlines()[0]
    assert told in first
    if line is not None:
        assert first.startswith(f"our-county.yaml, line {line}: ")
        assert "Such as: " in first


def test_a_file_that_cannot_be_one(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert said(capsys, "check", str(tmp_path / "none.yaml"))[0] == FAILED
    (tmp_path / "lone.yaml").write_text("profile: lone\n", "utf-8")
    assert "folder named profiles" in said(capsys, "check", str(tmp_path / "lone.yaml"))[2]
