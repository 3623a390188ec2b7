"""``demo``: a first look at the real service that fits on a screen or two."""

from __future__ import annotations

import argparse
import json
import os
import re
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import pytest
import requests

from service import cli
from service.commands import demo, screen
from service.commands.exit_status import FAILED
from service.pipeline import Pipeline
from service.resources import demo_directory
from service.server import process
from service.wording.headings import BASIS
from tests.support.pipeline import demo_names
from tests.support.signals import sigint

COMMAND = [sys.executable, "-m", "service.cli", "demo"]
INDEX = {each["file"].removesuffix(".json"): each for each in json.loads((demo_directory() / "index.json").read_text())}


def reviewed(pipeline: Pipeline, name: str) -> Any:
    body = (demo_directory() / f"{name}.json").read_bytes()
    return json.loads(json.dumps(pipeline.review(body, "application/json", "default").document))


def once(*arguments: str, **environ: str) -> str:
    done = subprocess.run(
        [*COMMAND, "--once", *arguments],
        env=os.environ | environ,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert (done.returncode, done.stderr) == (0, "")
    return done.stdout


def test_the_index_has_every_demo_episode() -> None:
    assert set(INDEX) == set(demo_names())
    assert len(INDEX) >= 6


@pytest.mark.live
def test_a_first_look_has_sixty_lines(pipeline: Pipeline) -> None:
    # A proxy that the environment names is not asked for a service of this machine.
    out = once(http_proxy="http://127.0.0.1:9", NO_PROXY="")
    assert len(out.splitlines()) <= 60
    order = ["Its start page: http://127.0.0.1:", INDEX[demo.SHOWN]["title"], "TELL NOW", "CRITICAL", "Please note",
             "Not shown here: ", "What to try next:", "/v1/rules", "/openapi.yaml", "demo --all", "curl ", "without --once"]  # fmt: skip
    places = [out.index(each) for each in order]
    assert places == sorted(places)
    assert out.startswith("The service is running. Its start page: http://127.0.0.1:")
    document = reviewed(pipeline, demo.SHOWN)
    assert document["summary"]["by_severity"]["critical"] == out.count("CRITICAL") > 0
    for caution in document["cautions"]:
        assert caution in out


@pytest.mark.live
def test_all_prints_all_of_every_review(pipeline: Pipeline) -> None:
    out, titles = once("--all"), screen.titles(pipeline.rulebook.rules)
    for name, each in INDEX.items():
        assert (
            screen.review(f"{each['title']} ({each['file']})", reviewed(pipeline, name), titles, each["story"]) in out
        )


@pytest.mark.live
def test_only_prints_all_of_one_review(pipeline: Pipeline) -> None:
    out = once("--only", "lean-sender")
    assert out.count("findings: ") + out.count("finding: ") == 1
    groups = reviewed(pipeline, "lean-sender")["not_assessable"]
    assert groups
    for rule in (rule for group in groups for rule in group["rules"]):
        assert rule["id"] in out


@pytest.mark.parametrize("name", demo_names())
@pytest.mark.parametrize("width", [80, 100])
def test_what_is_not_shown_is_counted(
    name: str, width: int, pipeline: Pipeline, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(screen, "width", lambda: width)
    document = reviewed(pipeline, name)
    text = demo._most_urgent(
        INDEX[name]["title"], document, screen.titles(pipeline.rulebook.rules), INDEX[name]["story"]
    )
    flat = " ".join(text.split())
    assert all(line["text"] in flat for line in document["tell_now"]), "never cut"
    told = re.search(r"Not shown here: (.*)\. All of it: restraint-review demo --only", flat)
    left = {"finding": 0, "question": 0, "rule": 0, "notice": 0}
    for number, noun in re.findall(r"(\d+) (finding|question|rule|notice)", told[1] if told else ""):
        left[noun] += int(number)
    shown = [
        f
        for f in document["findings"]
        if f"{f['severity'].upper()} ({BASIS[f['category']].lower()}) {f['title']} [{f['rule']['id']}]" in flat
    ]
    assert text.count("\n") <= demo._MOST_LINES or len(shown) == bool(document["findings"])
    hidden = [finding for finding in document["findings"] if finding not in shown]
    assert left["finding"] == len(hidden)
    lesser = [entry for entry in document["unjudged"] if entry["severity"] != "critical"]
    assert left["question"] == (len(lesser) if told else 0)
    assert left["rule"] == (document["summary"]["not_assessable"] if told else 0)
    assert left["notice"] == (len(document["notices"]) if told else 0)
    rank = ["critical", "warning", "info"].index
    assert max((rank(f["severity"]) for f in shown), default=0) <= min((rank(f["severity"]) for f in hidden), default=2)


@pytest.mark.live
@pytest.mark.parametrize(
    ("at_the_start", "stop"),
    [
        # As a terminal does it: to the whole group, so that the server gets it too.
        (signal.default_int_handler, lambda child: os.killpg(child.pid, signal.SIGINT)),
        # In the background of a script, where Ctrl-C is ignored, it is ended by its process id.
        (signal.SIG_IGN, lambda child: child.terminate()),
    ],
    ids=["ctrl-c", "terminated in the background"],
)
def test_demo_stays_up_until_it_is_interrupted(
    at_the_start: Any, stop: Callable[[subprocess.Popen[str]], None]
) -> None:
    with sigint(at_the_start):
        child = subprocess.Popen(COMMAND, stdout=subprocess.PIPE, text=True, process_group=0)
    try:
        assert child.stdout is not None
        for line in child.stdout:
            if "stays up. Ctrl-C" in line:
                break
        assert child.poll() is None
        stop(child)
        assert child.wait(30) == 0
    finally:
        child.kill()
        child.wait()
        assert child.stdout is not None
        child.stdout.close()
    with pytest.raises(ProcessLookupError):
        os.killpg(child.pid, 0)


def test_an_unknown_episode_is_answered_with_those_there_are(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["demo", "--only", "nobody"]) == FAILED
    told = capsys.readouterr().err
    assert all(name in told for name in INDEX)
    with pytest.raises(SystemExit):
        cli.main(["demo", "--only", "exemplary", "--all"])


def test_what_goes_wrong_is_told_in_a_line(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    @contextmanager
    def nobody(_overrides: object) -> Iterator[tuple[str, argparse.Namespace]]:
        yield f"http://127.0.0.1:{process.free_port()}", argparse.Namespace(poll=lambda: None)

    @contextmanager
    def not_started(_overrides: object) -> Iterator[None]:
        raise process.NotStarted("the server was not ready in time")
        yield

    def fails(running: object, said: str) -> None:
        monkeypatch.setattr(process, "running", running)
        assert cli.main(["demo", "--once"]) == FAILED
        assert capsys.readouterr().err == f"{said}\n"

    fails(nobody, "the service did not answer: ConnectionError")
    fails(not_started, "the server was not ready in time")
    refused = requests.Response()
    refused.status_code = 503
    monkeypatch.setattr(requests.Session, "get", lambda *_, **__: refused)
    fails(nobody, "the service answered 503 to a request of the demo")
