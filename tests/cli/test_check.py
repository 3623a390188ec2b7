"""``check``: reviews in the terminal and as JSON, exit statuses, every format, and what cannot be reviewed."""

from __future__ import annotations

import io
import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from service import cli
from service.commands.exit_status import FAILED, FAULTS, OK
from service.pipeline import Pipeline, UnknownProfile
from service.representations import review_json
from service.resources import demo_directory
from service.review.build import Wanted
from tests.support.pipeline import demo, pipeline
from tests.support.reviews import review

RICH = Wanted(explain=True, accounts=True, full=True)
EXEMPLARY = demo_directory() / "exemplary.json"
COMMAND = [sys.executable, "-m", "service.cli"]


def _prone(tmp_path: Path) -> Path:
    """The exemplary episode, face down in this unit's care for its whole length."""
    episode = json.loads(EXEMPLARY.read_bytes())
    episode["postures"] = [{**episode["postures"][0], "posture": "prone", "care": "this_unit"}]
    path = tmp_path / "prone.json"
    path.write_text(json.dumps(episode))
    return path


def test_check_prints_a_review(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["check", str(EXEMPLARY)]) == OK
    out = capsys.readouterr().out
    assert str(EXEMPLARY.name) in out
    assert "0 critical" in out
    assert max(map(len, out.splitlines())) <= 80
    assert "\x1b" not in out


def test_check_says_whether_something_critical_stands(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["check", str(EXEMPLARY), str(_prone(tmp_path))]) == FAULTS
    out = capsys.readouterr().out
    assert out.index("TELL NOW") < out.index("CRITICAL")


def test_several_files_end_with_an_overview_the_worst_first(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    prone, bad = _prone(tmp_path), tmp_path / "bad.json"
    bad.write_text('{"episode_ref": 5}')
    assert cli.main(["check", str(EXEMPLARY), str(prone), str(bad), str(tmp_path / "none.json")]) == FAILED
    listed = capsys.readouterr().out.split("4 files, the worst first")[1].splitlines()[2:]
    text = " ".join(" ".join(listed).split())
    assert f"NO REVIEW {bad}: Not an episode" in text
    assert text.index("NO REVIEW") < text.index(str(prone)) < text.index(f"{EXEMPLARY}: 0 critical")
    assert "CRITICAL" in text.split(f"{prone}:")[1]
    assert max(map(len, listed)) <= max(80, len(str(prone)) + 60)
    assert cli.main(["check", str(EXEMPLARY)]) == OK
    assert "the worst first" not in capsys.readouterr().out


def test_only_what_one_reader_acts_on(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    name = str(demo_directory() / "everything-wrong.json")
    assert cli.main(["check", name]) == FAULTS
    whole = capsys.readouterr().out
    assert cli.main(["check", "--for", "author", name]) == FAULTS
    author = capsys.readouterr().out
    assert "For the reviewer" not in author
    assert whole.split("For the author")[1].split("Stays unjudged")[0] in author
    assert "TELL NOW" in author
    said = review(pipeline(), demo("everything-wrong"))["summary"]
    assert f"Shown: findings for the author. Not shown: {said['by_handler']['reviewer']} findings." in author
    assert cli.main(["check", "--severity", "critical", name]) == FAULTS
    critical = capsys.readouterr().out
    assert critical.count("    CRITICAL") == 0
    assert (
        len([row for row in critical.splitlines() if row.startswith("  CRITICAL (")]) == said["by_severity"]["critical"]
    )
    assert not [row for row in critical.splitlines() if row.startswith(("  WARNING (", "  INFO ("))]
    assert f"Not shown: {said['findings'] - said['by_severity']['critical']} findings." in critical
    assert cli.main(["check", "--for", "reviewer", "--severity", "info", "--json", name]) == FAILED
    assert "every finding is there" in capsys.readouterr().err


def test_the_width_may_be_said(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "60")
    cli.main(["check", str(EXEMPLARY)])
    assert max(map(len, capsys.readouterr().out.splitlines())) <= 60


def test_check_as_json_is_the_review_of_the_service(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["check", "--json", str(EXEMPLARY), str(EXEMPLARY)]) == OK
    first, second = capsys.readouterr().out.splitlines()
    assert first == second
    assert json.loads(first)["episode_ref"] == json.loads(EXEMPLARY.read_bytes())["episode_ref"]
    assert cli.main(["check", "--json", "--explain", str(EXEMPLARY)]) == OK
    assert len(capsys.readouterr().out) > len(first)


@pytest.mark.parametrize("to", ["fhir", "nemsis"])
def test_check_reads_every_format(to: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """By content, whatever the name; and as the format that is given."""
    path = tmp_path / "chart.txt"
    assert cli.main(["convert", str(_prone(tmp_path)), "--to", to, "--output", str(path)]) == OK
    language = {"fhir": "Bundle.entry[", "nemsis": "/nem:EMSDataSet"}[to]
    for arguments in ([str(path)], [str(path), "--format", to]):
        assert cli.main(["check", *arguments]) == FAULTS
        assert language in capsys.readouterr().out
    assert cli.main(["check", "--format", "json", str(path)]) == FAILED
    assert "not-json" in capsys.readouterr().err or to == "fhir"
    path.write_bytes(b"<a>\n</b>")
    assert cli.main(["check", str(path)]) == FAILED
    assert "Line 2, column" in capsys.readouterr().err


def test_control_characters_of_a_file_name_do_not_reach_the_terminal(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "\x1b[31m.json"
    assert cli.main(["check", str(path)]) == FAILED
    path.write_bytes(EXEMPLARY.read_bytes())
    assert cli.main(["check", str(path)]) == OK
    said = capsys.readouterr()
    for text in said:
        assert r"\x1b[31m.json" in text
        assert "\x1b" not in text


def test_a_mapping_that_cannot_be_used_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "wrong.yaml").write_text("id: wrong\n")
    monkeypatch.setenv("RESTRAINT_REVIEW_MAPPINGS_DIR", str(tmp_path))
    for arguments in (["check", str(EXEMPLARY)], ["batch", str(EXEMPLARY), "--output", str(tmp_path / "out")]):
        assert cli.main(arguments) == FAILED
        assert "wrong.yaml: top: a mapping has exactly" in capsys.readouterr().err


def test_check_reads_standard_input(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(EXEMPLARY.read_bytes())))
    assert cli.main(["check", "-"]) == OK
    assert "findings" in capsys.readouterr().out


def test_check_fails_on_what_it_cannot_review_and_goes_on(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    bad = tmp_path / "bad.json"
    bad.write_text('{"episode_ref": "a", "handover": {"time": "2031-04-12T18:09:00"}}')
    assert cli.main(["check", str(tmp_path / "none.json"), str(bad), str(_prone(tmp_path))]) == FAILED
    streams = capsys.readouterr()
    assert "none.json: cannot be opened" in streams.err
    assert "/handover/time" in streams.err
    assert "prone.json" in streams.out.replace("\n", "")


EPISODE = json.loads(EXEMPLARY.read_bytes())
OTHERS: dict[str, tuple[bytes, list[str], str]] = {
    "ndjson": (b"\n".join([json.dumps(EPISODE).encode()] * 3), [], "restraint-review batch"),
    "ndjson in lines of its own": (b'{"a": 1}\n\n{"a": 2}\n', [], "restraint-review batch"),
    "list": (json.dumps([EPISODE, EPISODE]).encode(), [], "restraint-review batch"),
    "line of a batch": (b'{"line": 1, "status": 200, "review": {}}', [], "answer of this service"),
    "review": (b'{"episode_ref": "a", "findings": [], "summary": {}}', [], "answer of this service"),
    "bundle as JSON": (b'{"resourceType": "Bundle", "entry": []}', ["--format", "json"], "--format fhir"),
    "resource": (b'{"resourceType": "Patient"}', [], "Bundle"),
    "profile": (b"# Ours\nprofile: ours\nversion: 1\noff: []\n", [], "a profile"),
    "rule": (b"id: RR-1\nname: x\nphase: sedation\nseverity: {default: info}\n", [], "a rule"),
    "picture": (b"\x89PNG\r\n\x1a\n" + bytes(99), [], "a picture"),
    "pdf": (b"%PDF-1.7\n" + bytes(99), [], "a PDF"),
    "archive": (b"PK\x03\x04" + bytes(99), [], "a ZIP"),
    "table": (b"episode,time,spo2\n1,2,3\n", [], "a table"),
    "nothing": (b" \n", [], "empty"),
    "hook": (b'{"hook": "x", "hookInstance": "y"}', [], "/cds-services"),
}


@pytest.mark.parametrize("name", OTHERS)
def test_check_says_what_another_file_looks_like(name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One line, which names the command that takes it, where there is one."""
    body, arguments, said = OTHERS[name]
    path = tmp_path / "file"
    path.write_bytes(body)
    assert cli.main(["check", str(path), *arguments]) == FAILED
    first, second = capsys.readouterr().err.splitlines()
    assert str(path) in first and said in second


def test_check_tells_equal_slips_once(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "chart.json"
    path.write_text(json.dumps(EPISODE | {"monitoring": {"vitals": [{"spo2": 130}] * 40}}))
    assert cli.main(["check", str(path)]) == FAILED
    (_, line) = capsys.readouterr().err.splitlines()
    assert line == "  /monitoring/vitals/0/spo2: The number is outside its physical range. From 0 to 100 %. (40 times)"


def test_check_with_an_unknown_profile_fails(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["check", "--profile", "nobody", str(EXEMPLARY)]) == FAILED
    assert "profile" in capsys.readouterr().err


@pytest.mark.parametrize(("no_color", "colored"), [(None, True), ("1", False)])
def test_color_on_a_terminal_unless_it_is_not_wanted(no_color: str | None, colored: bool) -> None:
    environ = {name: value for name, value in os.environ.items() if name != "NO_COLOR"}
    if no_color:
        environ["NO_COLOR"] = no_color
    controller, terminal_side = os.openpty()
    with subprocess.Popen([*COMMAND, "check", str(EXEMPLARY)], stdout=terminal_side, env=environ) as child:
        os.close(terminal_side)
        seen = b""
        try:
            while part := os.read(controller, 65536):
                seen += part
        except OSError:
            pass  # the other side of the terminal is closed
        os.close(controller)
        assert child.wait(60) == 0
    assert (b"\x1b[1m" in seen) is colored
    assert b"findings" in seen


def test_check_compiles_one_profile_and_runs_no_examples(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    built: list[Pipeline] = []
    build = Pipeline.build

    def watched(*places: Any, **wanted: Any) -> Pipeline:
        built.append(build(*places, **wanted))
        return built[-1]

    monkeypatch.setattr(Pipeline, "build", watched)
    monkeypatch.setattr(Pipeline, "self_test", lambda _: pytest.fail("the examples were run"))
    assert cli.main(["check", "--profile", "massachusetts-2026", str(EXEMPLARY)]) == OK
    assert [set(each._deciders) for each in built] == [{"massachusetts-2026"}]
    assert len(built[0].rulebook.profiles) > 1


def test_one_profile_alone_gives_the_bytes_of_all_together(pipeline: Pipeline) -> None:
    body = (demo_directory() / "everything-wrong.json").read_bytes()
    for name in ("default", "massachusetts-2026"):
        alone = Pipeline.build(profiles=[name])
        both = [review_json.render(each.review(body, "application/json", name, RICH)) for each in (alone, pipeline)]
        assert both[0] == both[1]
        with pytest.raises(UnknownProfile):
            alone.review(body, "application/json", "another")
    with pytest.raises(UnknownProfile):
        Pipeline.build(profiles=["nobody"])
