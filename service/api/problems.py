"""How each problem of the table becomes an answer (RFC 9457)."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence

from flask import Response, g

from service.problems import PROBLEMS, ProblemItem, problem_document
from service.representations import operation_outcome

MEDIA_TYPE = "application/problem+json"


class Refusal(Exception):
    """Raised in a view: answer with this problem. Its text is the code and nothing else."""

    def __init__(
        self, code: str, errors: Sequence[ProblemItem] = (), omitted: int = 0, headers: Mapping[str, str] | None = None
    ) -> None:
        super().__init__(code)
        self.code = code
        self.errors = errors
        self.omitted = omitted
        self.headers = headers or {}


def answer(
    code: str, errors: Sequence[ProblemItem] = (), omitted: int = 0, headers: Mapping[str, str] | None = None
) -> Response:
    """The response for a problem; an OperationOutcome where the route has said so (``g.as_outcome``).

    ``omitted``: places that are wrong beyond those listed.
    """
    problem = PROBLEMS[code]
    if g.get("as_outcome", False):
        media_type = operation_outcome.MEDIA_TYPE
        body = operation_outcome.problem_outcome(
            code, problem.status, problem.detail, errors, omitted, fhir=g.get("from_bundle", False)
        )
    else:
        media_type, body = MEDIA_TYPE, json.dumps(problem_document(code, errors, omitted)).encode()
    response = Response(body, problem.status, headers, content_type=media_type)
    response.headers["Cache-Control"] = "no-store"
    return response
