"""No patient data anywhere: a word that stands in every place of every request is searched in all that the service writes.

Searched: standard output and error of master and workers (the C engine writes
there too), metrics, every file of the process, and every answer but the two
that have to carry it (``episode_ref`` and the reason of an acceptance are the
caller's own and come back to the caller). Loopback only.
"""

from __future__ import annotations

import contextlib
import http.client
import json
import os
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest
import yaml

from service.resources import openapi_path
from tests.ops.running import Service, running
from tests.support.pipeline import demo

pytestmark = pytest.mark.live

CANARY = "Zq7canaryXw"
NUMBER = 987654321


def requests() -> Iterator[tuple[str, str, bytes, dict[str, str]]]:
    """(method, target, body, headers): every route with good and bad bodies, each with the word in every place."""
    noise = {
        "User-Agent": CANARY, "Cookie": CANARY, "Referer": CANARY, "X-Forwarded-For": CANARY, "X-Request-Id": CANARY,
        "Authorization": f"Bearer {CANARY}", "Client-Cert": f":{CANARY}:", "traceparent": f"00-{CANARY}",
        "tracestate": CANARY, "If-None-Match": f'"{CANARY}"',
    }  # fmt: skip
    episode = demo("everything-wrong")
    episode["narrative"] = f"{episode.get('narrative', '')} {CANARY} {NUMBER} hog-tied within normal limits"
    good = json.dumps(episode).encode()
    word = CANARY.encode()
    bodies = [
        good,
        good[:-5] + word,
        word,
        b'{"episode_ref": "a", "' + word + b'": 1}',
        b'{"episode_ref": "a", "narrative": ' + word + b"}",
        b'{"episode_ref": "a", "patient": "' + word + b'"}',
        b'{"episode_ref": "a", "handover": {"time": "' + word + b'"}}',
        b'{"episode_ref": "a", "narrative": "' + word + b'\\ud800"}',
        b'{"episode_ref": "' + word + b" " + word + b'"}',
        b'{"episode_ref": "a", "accepted": [{"fingerprint": "' + word + b'", "reason": "' + word + b'"}]}',
        b'{"resourceType": "' + word + b'"}',
        b'{"resourceType": "Bundle", "entry": [{"resource": {"resourceType": "Patient", "id": "' + word + b'"}}]}',
        b'<?xml version="1.0"?><!DOCTYPE a [<!ENTITY x "' + word + b'">]><a>&x;</a>',
        b"<EMSDataSet>" + word + b"</EMSDataSet>",
        word + b"\xff\xfe\x00",
    ]
    document = yaml.safe_load(openapi_path().read_text("utf-8"))
    for path, operations in document["paths"].items():
        target = path.replace("{rule}", CANARY).replace("{profile}", CANARY).replace("{id}", CANARY)
        for method, operation in operations.items():
            for query in ("", f"?{CANARY}={CANARY}", f"?profile={CANARY}", f"?explain={CANARY}", f"?period={CANARY}"):
                for media_type in operation.get("requestBody", {}).get("content", {"": {}}):
                    if media_type == "multipart/form-data":
                        kind, parts = "multipart/form-data; boundary=b", [
                            b'--b\r\nContent-Disposition: form-data; name="file"; filename="' + word + b'"\r\n\r\n' + body
                            + b'\r\n--b\r\nContent-Disposition: form-data; name="' + word + b'"\r\n\r\n' + word + b"\r\n--b--\r\n"
                            for body in bodies
                        ]  # fmt: skip
                    else:
                        kind, parts = media_type, bodies if media_type else [b""]
                    for body in parts if not query else parts[:2]:
                        yield method.upper(), target + query, body, {**noise, "Content-Type": kind}
        yield "DELETE", target, good, {**noise, "Content-Type": CANARY}
        yield "POST", f"{target}/{CANARY}", good, {**noise, "Content-Type": "application/json"}


def test_nothing_of_a_request_is_written_anywhere(tmp_path: Path) -> None:
    sent = 0
    with running(tmp_path, LOG_LEVEL="debug", WORKERS="1") as service:
        statuses = set()
        for method, target, body, headers in requests():
            status, answer_headers, content = service.call(method, target, body, headers)
            sent += 1
            statuses.add(status)
            assert CANARY not in repr(answer_headers), (method, target)
            if CANARY.encode() in content:
                # A review of the caller's own words: nothing else may carry them.
                assert status == 200, (method, target, content[:300])
                assert b'"reason"' in content or b"episode_ref" in content, (method, target)
            assert str(NUMBER).encode() not in content, "the narrative never comes back"
        for raw in (
            f"{CANARY}\r\n\r\n",
            f"GET /{CANARY} HTTP/9.{CANARY}\r\n\r\n",
            f"GET / HTTP/1.1\r\n{CANARY}\r\n\r\n",
        ):
            with socket.create_connection(("127.0.0.1", service.port), timeout=10) as sock:
                sock.sendall(raw.encode())
                assert sock.recv(100).startswith(b"HTTP/1.1 4")
        assert {200, 400, 404, 405, 422} <= statuses
        metrics = service.call("GET", "/metrics")[2]
        assert CANARY.encode() not in metrics and str(NUMBER).encode() not in metrics
        assert _files_with(service, CANARY.encode()) == []
    assert sent > 150
    written = service.log.read_bytes()
    assert CANARY.encode() not in written and str(NUMBER).encode() not in written
    for line in written.decode().splitlines():
        assert isinstance(json.loads(line), dict), "something else than our own lines"
    assert not [line for line in service.lines() if line["event"] in ("crash", "server-crash", "server-message")]


def _files_with(service: Service, word: bytes) -> list[str]:
    """Files that the processes have open for writing, deleted ones too, and those in shared memory."""
    found = []
    for pid in [service.child.pid, *service.workers()]:
        for handle in Path(f"/proc/{pid}/fd").iterdir():
            with contextlib.suppress(OSError):
                if handle.is_file() and word in handle.read_bytes():
                    found.append(os.readlink(handle))
        for line in Path(f"/proc/{pid}/maps").read_text().splitlines():
            name = line.partition("/")[2]
            with contextlib.suppress(OSError):
                if name.startswith("dev/shm") and word in Path("/" + name).read_bytes():
                    found.append(name)
    return found


def test_a_crash_of_the_process_writes_nothing_of_the_request(tmp_path: Path) -> None:
    body = json.dumps({"episode_ref": "a", "narrative": CANARY}).encode()
    headers = {"Content-Type": "application/json", "X-Test-Segfault": CANARY}
    other = b"Yp6gullxVu"
    with running(tmp_path, "tests.ops.crashing", LOG_LEVEL="debug") as service:
        with service.log.open("ab") as log:
            log.write(other)
        assert _files_with(service, other), "the search above finds what is there: the log is open in the processes"
        with contextlib.suppress(ConnectionError, http.client.HTTPException):
            service.call("POST", "/v1/reviews", body, headers)
    assert CANARY.encode() not in service.log.read_bytes()
