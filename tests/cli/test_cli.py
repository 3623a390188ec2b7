"""Every command, its output and its exit status."""

from __future__ import annotations

import io
import json
import os
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from service import cli
from service.pages import terminal
from service.pipeline import Pipeline
from service.resources import demo_directory, rules_directory
from service.server import process
from tests.support.episodes import encoded
from tests.support.pipeline import demo, demo_names

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
    assert cli.main(["check", str(EXEMPLARY)]) == cli.OK
    out = capsys.readouterr().out
    assert str(EXEMPLARY.name) in out
    assert "0 critical" in out
    assert max(map(len, out.splitlines())) <= 80
    assert "\x1b" not in out


def test_check_says_whether_something_critical_stands(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["check", str(EXEMPLARY), str(_prone(tmp_path))]) == cli.FAULTS
    out = capsys.readouterr().out
    assert out.index("TELL NOW") < out.index("CRITICAL")


def test_check_as_json_is_the_review_of_the_service(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["check", "--json", str(EXEMPLARY), str(EXEMPLARY)]) == cli.OK
    first, second = capsys.readouterr().out.splitlines()
    assert first == second
    assert json.loads(first)["episode_ref"] == json.loads(EXEMPLARY.read_bytes())["episode_ref"]
    assert cli.main(["check", "--json", "--explain", str(EXEMPLARY)]) == cli.OK
    assert len(capsys.readouterr().out) > len(first)


@pytest.mark.parametrize("to", ["fhir", "nemsis"])
def test_check_reads_every_format(to: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """By content, whatever the name; and as the format that is given."""
    path = tmp_path / "chart.txt"
    assert cli.main(["convert", str(_prone(tmp_path)), "--to", to, "--output", str(path)]) == cli.OK
    language = {"fhir": "Bundle.entry[", "nemsis": "/nem:EMSDataSet"}[to]
    for arguments in ([str(path)], [str(path), "--format", to]):
        assert cli.main(["check", *arguments]) == cli.FAULTS
        assert language in capsys.readouterr().out
    assert cli.main(["check", "--format", "json", str(path)]) == cli.FAILED
    assert "not-json" in capsys.readouterr().err or to == "fhir"
    path.write_bytes(b"<a>\n</b>")
    assert cli.main(["check", str(path)]) == cli.FAILED
    assert "Line 2, column" in capsys.readouterr().err


def test_a_mapping_that_cannot_be_used_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "wrong.yaml").write_text("id: wrong\n")
    monkeypatch.setenv("RESTRAINT_REVIEW_MAPPINGS_DIR", str(tmp_path))
    for arguments in (["check", str(EXEMPLARY)], ["batch", str(EXEMPLARY), "--output", str(tmp_path / "out")]):
        assert cli.main(arguments) == cli.FAILED
        assert "wrong.yaml: top: a mapping has exactly" in capsys.readouterr().err


def test_check_reads_standard_input(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(EXEMPLARY.read_bytes())))
    assert cli.main(["check", "-"]) == cli.OK
    assert "findings" in capsys.readouterr().out


def test_check_fails_on_what_it_cannot_review_and_goes_on(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    bad = tmp_path / "bad.json"
    bad.write_text('{"episode_ref": "a", "handover": {"time": "2031-04-12T18:09:00"}}')
    assert cli.main(["check", str(tmp_path / "none.json"), str(bad), str(_prone(tmp_path))]) == cli.FAILED
    streams = capsys.readouterr()
    assert "none.json: cannot be opened" in streams.err
    assert "/handover/time" in streams.err
    assert "prone.json" in streams.out.replace("\n", "")


def test_check_with_an_unknown_profile_fails(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["check", "--profile", "nobody", str(EXEMPLARY)]) == cli.FAILED
    assert "profile" in capsys.readouterr().err


def test_rules_list_and_show(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["rules", "list"]) == cli.OK
    lines = capsys.readouterr().out.splitlines()
    assert lines == sorted(lines)
    number = lines[0].split()[0]
    assert cli.main(["rules", "show", number, "--json"]) == cli.OK
    assert json.loads(capsys.readouterr().out)["id"] == number
    assert cli.main(["rules", "show", "RR-9999"]) == cli.FAILED


def test_rules_test_by_prefix_and_path(capsys: pytest.CaptureFixture[str]) -> None:
    cli.main(["rules", "list"])
    number, phase = capsys.readouterr().out.splitlines()[0].split()[:2]
    assert cli.main(["rules", "test", "--only", number]) == cli.OK
    assert "1 rule tested, 0 failures" in capsys.readouterr().out
    (path,) = (rules_directory() / phase).glob(f"{number}-*.yaml")
    assert cli.main(["rules", "test", str(path)]) == cli.OK
    assert "1 rule tested, 0 failures" in capsys.readouterr().out
    assert cli.main(["rules", "test", "--only", "RR-9999"]) == cli.FAILED


def test_serve_refuses_an_address_others_reach(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["serve", "--host", "0.0.0.0"]) == cli.FAILED
    assert "--public" in capsys.readouterr().err


def test_serve_refuses_a_bad_setting(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.setenv("RESTRAINT_REVIEW_COLOUR", "red")
    assert cli.main(["serve", "--port", "none"]) == cli.FAILED
    assert len(capsys.readouterr().err.splitlines()) == 2


@pytest.mark.live
def test_serve_runs_until_it_is_ended() -> None:
    port = process.free_port()
    child = subprocess.Popen([*COMMAND, "serve", "--port", str(port), "--workers", "1"], stderr=subprocess.DEVNULL)
    try:
        process.wait_ready(f"http://127.0.0.1:{port}", child)
    finally:
        assert process.end(child) == 0


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


@pytest.mark.live
def test_demo_once_reviews_every_demo_episode() -> None:
    done = subprocess.run([*COMMAND, "demo", "--once"], capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, done.stderr
    words = " ".join(done.stdout.split())
    episodes = {path.name for path in demo_directory().glob("*.json")} - {"index.json"}
    assert len(episodes) >= 6
    for name in episodes:
        assert f"({name})" in words
    for place in ("/v1/rules", "/openapi.yaml", "curl "):
        assert place in done.stdout


@pytest.mark.live
def test_demo_stays_up_until_it_is_interrupted() -> None:
    child = subprocess.Popen([*COMMAND, "demo"], stdout=subprocess.PIPE, text=True, process_group=0)
    try:
        assert child.stdout is not None
        for line in child.stdout:
            if "Ctrl-C" in line:
                break
        assert child.poll() is None
        # As a terminal does it: to the whole group, so that the server gets it too.
        os.killpg(child.pid, signal.SIGINT)
        assert child.wait(30) == 0
    finally:
        child.kill()
        child.wait()
        assert child.stdout is not None
        child.stdout.close()
    with pytest.raises(ProcessLookupError):
        os.killpg(child.pid, 0)


_FINDING: dict[str, Any] = {
    "rule": {"id": "RR-0001", "name": "a-b", "revision": 1},
    "severity": "info",
    "handled_by": "author",
    "title": "A title",
    "message": "What the record shows. " * 6,
    "remediation": "What to do.",
    "pointers": [{"pointer": "", "label": "record"}],
    "category": "completeness",
    "fingerprint": "v1:a",
    "related": [],
}
_RULES = {"RR-0001": ("team", "A title"), "RR-0002": ("team", "Local things"), "RR-0003": ("record", "Something odd")}
_DOCUMENT: dict[str, Any] = {
    "summary": {
        "rules": 3, "clear": 0, "finding": 3, "not_applicable": 0, "not_assessable": 0, "error": 0, "off": 1,
        "findings": 3, "accepted": 0, "by_severity": {"critical": 1, "warning": 1, "info": 1},
    },
    "findings": [
        {**_FINDING, "title": "Third"},
        {**_FINDING, "title": "Second", "severity": "warning", "handled_by": "reviewer", "disputed": True},
        {**_FINDING, "title": "First", "severity": "critical", "handled_by": "reviewer", "tell_now": "Look."},
    ],
    "accepted": [],
    "not_assessable": [{"rule": {"id": "RR-0003", "name": "c-d", "revision": 1}, "unknown": [{"fact": "x", "state": "missing", "pointers": []}]}],
    "off": [{"rule": "RR-0002", "reason": "Local protocol", "owner": "x", "ends": "2032-01-01"}],
    "notices": [{"code": "x", "detail": "A notice."}],
    "cautions": ["Supports review."],
}  # fmt: skip


def test_layout_puts_who_acts_and_severity_in_order() -> None:
    text = terminal.render("Episode", _DOCUMENT, _RULES, 60)
    order = ["Episode", "3 findings", "TELL NOW", "Look. [RR-0001]", "For the reviewer (2)", "First", "Second", "disputed",
             "For the author (1)", "Third", "Cannot be told from this record (1 rule)", "No entry (1)", "Record", "RR-0003 Something odd",
             "Switched off", "RR-0002 Local things: Local protocol", "A notice.", "Supports review."]  # fmt: skip
    places = [text.index(each) for each in order]
    assert places == sorted(places)
    assert max(map(len, text.splitlines())) <= 60


def test_layout_colors_only_when_asked() -> None:
    assert "\x1b" not in terminal.render("Episode", _DOCUMENT, _RULES)
    assert "\x1b[1;31m" in terminal.render("Episode", _DOCUMENT, _RULES, color=True)


def test_layout_puts_findings_that_differ_in_their_place_only_together() -> None:
    three = [
        {
            **_FINDING,
            "message": f"Limb {n} is cold.",
            "fingerprint": f"v1:{n}",
            "pointers": [{"pointer": f"/limbs/{n}", "label": "limb"}],
        }
        for n in range(3)
    ]
    text = terminal.render("Episode", {**_DOCUMENT, "findings": three}, _RULES)
    assert "For the author (3)" in text
    assert text.count("A title [RR-0001], 3 places") == text.count("What to do.") == 1
    for n in range(3):
        assert f"- Limb {n} is cold. At: /limbs/{n}\n" in text
    alike = [{**each, "message": "Cold."} for each in three]
    text = terminal.render("Episode", {**_DOCUMENT, "findings": alike}, _RULES)
    assert text.count("Cold.") == 1
    assert "- At: /limbs/2\n" in text


def test_layout_says_what_a_finding_rests_on_without_color() -> None:
    both = [_FINDING, {**_FINDING, "category": "safety", "severity": "warning"}]
    text = terminal.render("Episode", {**_DOCUMENT, "findings": both}, _RULES)
    assert "INFO (no entry) A title" in text
    assert "WARNING (charted) A title" in text


@pytest.mark.parametrize("width", [20, 60, 80, 300])
def test_no_line_of_a_real_review_is_wider_than_the_terminal(width: int, pipeline: Pipeline) -> None:
    rules = {rule.id: (rule.phase, rule.title) for rule in pipeline.rulebook.rules}
    for name in demo_names():
        document = pipeline.review(encoded(demo(name)), "application/json", "default").document
        text = terminal.render(name, document, rules, width)
        assert max(map(len, text.splitlines())) <= max(40, min(width, 100))
        assert not [line for line in text.splitlines() if line != line.rstrip()]
        flat = " ".join(text.split())
        for finding in document["findings"]:
            assert finding["rule"]["id"] in flat
            assert " ".join(finding["message"].split()) in flat
        for entry in document["not_assessable"]:
            assert f"{entry['rule']['id']} {rules[entry['rule']['id']][1]}" in flat


def test_one_is_not_many() -> None:
    summary = {**_DOCUMENT["summary"], "rules": 1, "findings": 1}
    text = terminal.render("Episode", {**_DOCUMENT, "summary": summary}, _RULES)
    assert "1 finding: " in text
    assert "1 rule: " in text
