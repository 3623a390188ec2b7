"""What is fuzzed: everything that reads, each with the one way in which it may refuse."""

from __future__ import annotations

import contextlib
from collections.abc import Callable

from service import clients
from service.api import tokens
from service.batch import lines
from service.intake import episode_json, fhir_bundle, nemsis_xml
from service.presentation import cds_hooks
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
    "fhir": _rejecting(fhir_bundle.read),
    "nemsis": _rejecting(nemsis_xml.read),
    "hook": _rejecting(cds_hooks.read_request),
    "feedback": _rejecting(cds_hooks.read_feedback),
    "lines": _lines,
    "clients": _clients,
    "keys": _keys,
}
