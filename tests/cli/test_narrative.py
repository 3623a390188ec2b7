"""``restraint-review narrative``: families and places, never the text."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from service.cli import main

TEXT = "Canary7391 was never placed prone. İ He went limp, Canary7391."


def write(folder: Path, name: str, text: str) -> str:
    (folder / name).write_text(text, encoding="utf-8")
    return str(folder / name)


def test_as_data_one_entry_a_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    files = [write(tmp_path, "a.txt", TEXT), write(tmp_path, "b.txt", "Nothing of note.")]
    assert main(["narrative", "--json", *files]) == 0
    out = capsys.readouterr().out
    assert "Canary7391" not in out
    first, second = json.loads(out)
    assert second == {"file": files[1], "hits": []}
    position, quiet = first["hits"]
    assert set(position) == {"family", "assertion", "when", "whose", "chars", "pattern", "modifier"}
    assert (position["family"], position["assertion"]) == ("position", "negated")
    assert TEXT[position["modifier"]["chars"]["from"] : position["modifier"]["chars"]["to"]] == "never"
    assert (quiet["family"], quiet["assertion"], quiet["modifier"]) == ("quiet", "affirmed", None)
    assert TEXT[quiet["chars"]["from"] : quiet["chars"]["to"]] == "went limp"


def test_as_text(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["narrative", write(tmp_path, "a.txt", TEXT)]) == 0
    out = capsys.readouterr().out
    assert "2 hits" in out
    assert "Canary7391" not in out
    assert "limp" not in out.replace("{silent}", "")


def test_what_cannot_be_read_is_said_without_its_text(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "latin.txt").write_bytes(b"caf\xe9 prone")
    files = [str(tmp_path / "latin.txt"), str(tmp_path / "none.txt"), write(tmp_path, "long.txt", "x" * 20_001)]
    assert main(["narrative", "--json", *files, write(tmp_path, "a.txt", "prone")]) == 2
    told = capsys.readouterr()
    assert len(json.loads(told.out)) == 1
    assert told.err.splitlines() == [
        f"{files[0]}: not UTF-8",
        f"{files[1]}: cannot be opened: No such file or directory",
        f"{files[2]}: a narrative has at most 20000 characters",
    ]


def test_a_family_as_a_person_reads_it(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["rules", "show", "vomiting"]) == 0
    out = capsys.readouterr().out
    assert "vomiting: The patient vomited" in out
    assert "threw up" in out
    assert main(["rules", "show", "vomiting", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["family"] == "vomiting"


def test_an_agencys_families_are_tested(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "narrative").mkdir()
    text = "family: vomiting\npatterns:\n  - lost lunch\nproves:\n  - Pt lost lunch.\n"
    write(tmp_path / "narrative", "vomiting.yaml", text)
    assert main(["rules", "test", str(tmp_path)]) == 0
    assert "families of the narrative tested, 0 failures" in capsys.readouterr().out
    write(tmp_path / "narrative", "vomiting.yaml", text.replace("lost lunch.", "ate lunch."))
    assert main(["rules", "test", str(tmp_path)]) == 2
    assert "no example proves it" in capsys.readouterr().err
