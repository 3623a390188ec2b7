"""What is fuzzed: everything that reads, each with the one way in which it may refuse."""

from __future__ import annotations

import contextlib
from collections.abc import Callable

from service.access import clients, tokens
from service.batch import lines
from service.formats.cds_hooks.feedback import read_feedback
from service.formats.cds_hooks.request import read_request
from service.formats.fhir import read as fhir_reader
from service.formats.nemsis import read as nemsis_reader
from service.intake import episode_json
from service.problems import Rejected


def _rejecting(read: Callable[[bytes], object]) -> Callable[[bytes], None]:
    def one(data: bytes) -> None:
        try:
            read(data)
        except Rejected as rejected:
            # What would be answered: a status of the caller's, a code of ours, and no text of the body.
            assert 400 <= rejected.status < 500, rejected.status

    return one


def _clients(data: bytes) -> None:
    with contextlib.suppress(clients.ClientsError):
        clients.read(data)


def _keys(data: bytes) -> None:
    with contextlib.suppress(tokens.KeySetError):
        tokens.read(data)


def _lines(data: bytes) -> None:
    for number, line in lines.split(data):
        assert number > 0 and not lines.is_empty(line)


TARGETS: dict[str, Callable[[bytes], None]] = {
    "json": _rejecting(episode_json.read),
    "fhir": _rejecting(fhir_reader.read),
    "nemsis": _rejecting(nemsis_reader.Reader().read),
    "hook": _rejecting(read_request),
    "feedback": _rejecting(read_feedback),
    "lines": _lines,
    "clients": _clients,
    "keys": _keys,
}
