"""Log lines: closed fields, no texts of exceptions, nothing of the server's own texts."""

from __future__ import annotations

import io
import json
from typing import Any

import pytest
from gunicorn.config import Config  # type: ignore[import-untyped,unused-ignore]

from service.intake import strict_json
from service.observe import log, server_log
from service.problems import Rejected

CANARY = "Zq7canaryXw"


@pytest.fixture
def lines(monkeypatch: pytest.MonkeyPatch) -> Any:
    stream = io.BytesIO()
    log.configure("debug", stream.write)
    yield lambda: [json.loads(line) for line in stream.getvalue().splitlines()]
    log.configure("info")


def test_a_line_has_its_fields_and_no_others(lines: Any) -> None:
    log.emit("info", "request", route="/v1/rules", status=200, code=None)
    (line,) = lines()
    assert set(line) == {"time", "level", "pid", "event", "route", "status"}
    assert line["time"].endswith("+00:00")


@pytest.mark.parametrize("field", ["path", "query", "body", "message", "header", "remote_addr"])
def test_a_field_that_is_not_listed_raises(field: str) -> None:
    with pytest.raises(ValueError, match="not on the list"):
        log.emit("info", "request", **{field: CANARY})


def test_levels(lines: Any) -> None:
    stream = io.BytesIO()
    log.configure("warning", stream.write)
    log.emit("info", "quiet")
    log.emit("error", "loud")
    assert [json.loads(line)["event"] for line in stream.getvalue().splitlines()] == ["loud"]


def test_a_crash_is_class_and_place(lines: Any) -> None:
    try:
        strict_json.loads(b'{"' + CANARY.encode())
    except Rejected as error:
        log.crash("crash", error)
    (line,) = lines()
    assert line["exception"] == "Rejected"
    assert line["place"].startswith("service/intake/strict_json.py:")
    assert CANARY not in json.dumps(line)


def test_a_crash_outside_the_package_has_no_place(lines: Any) -> None:
    log.crash("crash", ValueError(CANARY))
    assert lines()[0] == {**lines()[0], "exception": "ValueError"}
    assert "place" not in lines()[0]
    assert CANARY not in json.dumps(lines())


def test_texts_of_the_server_are_not_passed_on(lines: Any) -> None:
    server = server_log.ServerLog(Config())
    stream = io.BytesIO()
    log.configure("debug", stream.write)
    server.info("Listening at: %s (%s)", "", 7)
    server.info("Handling signal: %s", "hup")
    server.error("Worker (pid:%s) exited with code %s.", 7, 3)
    server.error("Something about %s", CANARY)
    server.error(f"{CANARY} itself")
    server.debug("Ignored premature client disconnection. %s", CANARY)
    try:
        raise KeyError(CANARY)
    except KeyError:
        server.exception("Error handling request %s", CANARY)
    assert CANARY not in stream.getvalue().decode()
    assert "192.0.2.1" not in stream.getvalue().decode()
    found = [json.loads(line) for line in stream.getvalue().splitlines()]
    assert [line["event"] for line in found] == [
        "server-signal", "worker-failed", "server-message", "server-message", "server-crash",
    ]  # fmt: skip
    assert found[0]["signal"] == "hup"
    assert (found[1]["worker"], found[1]["exit_code"]) == (7, 3)
    assert found[3]["place"].startswith("test_log.py:")
    assert found[4]["exception"] == "KeyError"
