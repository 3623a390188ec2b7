"""What the worker does with a request, without a server."""

from __future__ import annotations

from types import SimpleNamespace

import gevent
import pytest
from gunicorn.workers.ggevent import GeventWorker  # type: ignore[import-untyped,unused-ignore]

from service.server import worker
from service.server.connection import Connection


@pytest.mark.parametrize(("takes", "cut"), [(0.0, False), (5.0, True)])
def test_a_request_that_takes_too_long_is_told_in_the_log(
    takes: float, cut: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    told: list[tuple[str, str]] = []
    monkeypatch.setattr(worker.log, "emit", lambda *line: told.append(line))
    monkeypatch.setattr(GeventWorker, "handle_request", lambda *_: gevent.sleep(takes))
    made = object.__new__(worker.Worker)
    made.settings = SimpleNamespace(request_seconds=0.5, max_body_bytes=1)
    request = SimpleNamespace(headers=[("HOST", "here")], version=(1, 1))

    def serve() -> bool:
        try:
            made.handle_request("", request, None, None)
        except StopIteration:
            return True
        return False

    connection = Connection(serve)
    connection.start()
    assert connection.get(timeout=10) is cut
    assert told == ([("warning", "request-cut")] if cut else [])
