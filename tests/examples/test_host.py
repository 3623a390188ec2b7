"""The host of the examples against the live service: no danger is lost on the way to its screen."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from service.server import process
from tests.examples import host as example
from tests.examples.host import Host
from tests.support.episodes import clock, dose, limb, small, vital


def sedated(**more: Any) -> dict[str, Any]:
    """SpO2 78, breathing 6 and EtCO2 80 after midazolam; the sender has no place for actions."""
    chart = small(
        application={"limbs": [limb(on=3, id="l1")], "completed": clock(3)},
        sedation={"doses": [dose(5, amount=10, id="d1")]},
        monitoring={"vitals": [vital(4, spo2=97, rr=18, id="v1"), vital(12, spo2=78, rr=6, etco2_mmhg=80, id="v2")]},
        handover=40,
        not_collected=["/monitoring/actions"],
    )
    return {**chart, **more}


@pytest.mark.live
def test_the_danger_is_on_the_screen(capsys: pytest.CaptureFixture[str]) -> None:
    with process.running() as (address, _):
        chart = Host(address, sedated())
        review = chart.close()
        assert review is not None
        screen = capsys.readouterr().out
        told = [line for line in screen.splitlines() if line.startswith("TELL NOW: ")]
        assert len(told) == len(review["tell_now"]) >= 3
        for danger in ("78 %", "6 a minute", "80 mmHg"):
            assert any(danger in line for line in told), danger
        critical = [one for one in review["unjudged"] if one["severity"] == "critical"]
        assert critical
        assert all(one.get("tell_now", one["title"]) in screen for one in critical)
        assert "/handover/restraint_state" in chart.fields
        assert all(question in screen for questions in chart.fields.values() for question in questions)

        mark, by, at = _acceptable(review), "u-7", clock(50)
        chart.accept(mark, "Read with the crew.", by, at)
        again = chart.close()
        assert again is not None
        (taken,) = (i for f in again["accepted"] for i in f["instances"] if i["fingerprint"] == mark)
        assert (taken["reason"], taken["by"], taken["at"]) == ("Read with the crew.", by, at)

        capsys.readouterr()
        assert Host(address, sedated(patient={"sex": None})).close() is None
        assert "NOT CHECKED" in (refused := capsys.readouterr().out) and "/patient/sex" in refused


def _acceptable(review: dict[str, Any]) -> str:
    return next(str(i["fingerprint"]) for f in review["findings"] for i in f["instances"] if i["acceptable"])


def test_the_host_is_short() -> None:
    assert len(Path(example.__file__).read_text(encoding="utf-8").splitlines()) <= 90


REVIEW = {"tell_now": [], "unjudged": [], "findings": [], "notices": [], "cautions": ["It supports review."]}
Answer = tuple[int, dict[str, str], dict[str, Any]]
LOST: Answer = (0, {}, {})


def _problem(status: int, code: str, **headers: str) -> Answer:
    told = {name.replace("_", "-"): value for name, value in headers.items()}
    return status, told, {"code": code, "title": "Not now", "detail": "Try later.", "errors": []}


@contextmanager
def answering(*answers: Answer) -> Iterator[tuple[str, list[bytes]]]:
    """A server of one test that gives these answers in turn: its address, and the bodies that came."""
    left, came = list(answers), list[bytes]()

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            came.append(self.rfile.read(int(self.headers["Content-Length"])))
            status, headers, body = left.pop(0)
            if not status:
                return
            content = json.dumps(body).encode()
            self.send_response(status)
            for name, value in {**headers, "Content-Length": str(len(content))}.items():
                self.send_header(name, value)
            self.end_headers()
            self.wfile.write(content)

        def log_message(self, *_: object) -> None:
            return

    with ThreadingHTTPServer(("127.0.0.1", 0), Handler) as server:
        thread = threading.Thread(target=server.serve_forever, daemon=True)
        thread.start()
        yield f"http://127.0.0.1:{server.server_address[1]}", came
        server.shutdown()


@pytest.mark.parametrize(
    ("answers", "sent", "waited", "reviewed"),
    [
        ([(200, {}, REVIEW)], 1, [], True),
        ([_problem(503, "not-ready", Retry_After="3"), (200, {}, REVIEW)], 2, [3], True),
        ([_problem(429, "too-busy", Retry_After="1"), (200, {}, REVIEW)], 2, [1], True),
        ([_problem(429, "too-many-requests", Retry_After="9999")] * 2, 2, [example.LONGEST_WAIT], False),
        ([_problem(503, "not-evaluated")] * 2, 2, [1], False),
        ([_problem(500, "internal-error"), (200, {}, REVIEW)], 2, [1], True),
        ([_problem(500, "internal-error")] * 2, 2, [1], False),
        ([_problem(408, "body-too-slow"), (200, {}, REVIEW)], 2, [1], True),
        ([LOST, (200, {}, REVIEW)], 2, [1], True),
        ([LOST] * 2, 2, [1], False),
        ([_problem(422, "invalid-episode")], 1, [], False),
    ],
)
def test_once_more_and_when(
    answers: list[Answer],
    sent: int,
    waited: list[int],
    reviewed: bool,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    waits: list[int] = []
    # The name, not the module: other threads of this process sleep too.
    monkeypatch.setattr(example, "time", SimpleNamespace(sleep=waits.append))
    with answering(*answers) as (address, came):
        review = Host(address, {"episode_ref": "e"}).close()
    assert (len(came), waits) == (sent, waited)
    assert len(set(came)) == 1, "the same request again"
    assert (review is not None) is reviewed
    assert ("NOT CHECKED" in capsys.readouterr().out) is not reviewed


def test_no_service_at_all(capsys: pytest.CaptureFixture[str]) -> None:
    assert Host(f"http://127.0.0.1:{process.free_port()}", {"episode_ref": "e"}).close() is None
    assert "NOT CHECKED" in capsys.readouterr().out
