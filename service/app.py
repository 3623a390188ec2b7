"""The application: routes, problems, limits and log lines around one pipeline."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable
from types import TracebackType
from typing import Any

from flask import Flask, Response, g, request
from werkzeug.exceptions import HTTPException, MethodNotAllowed, NotFound

from service.api import (
    access,
    batches,
    capacity,
    cds,
    contract,
    facts,
    formats,
    health,
    operations_port,
    pages,
    problem_guides,
    problems,
    profiles,
    request_body,
    reviews,
    rules,
)
from service.api import metrics as metrics_route
from service.api.reviewing import Reviewing
from service.observe import log, metrics, trace
from service.pipeline import Pipeline
from service.settings import PREFIX, Settings, SettingsError

#: Probes come every few seconds; their lines would hide the rest.
_QUIET = frozenset({"/health/live", "/health/ready", "/metrics"})
#: A method is a word the caller chooses, so only these are written as they are.
_METHODS = frozenset({"GET", "HEAD", "POST", "OPTIONS", "PUT", "PATCH", "DELETE"})


class Application(Flask):
    """Flask, made silent: its own logger writes texts of exceptions, which may quote a record."""

    def log_exception(
        self, exc_info: tuple[type, BaseException, TracebackType | None] | tuple[None, None, None]
    ) -> None:
        """Write the class and the place only."""
        log.crash("crash", exc_info[1])

    def ensure_sync(self, func: Callable[..., Any]) -> Callable[..., Any]:
        """As it is: nothing here is asynchronous, so nothing is asked of every function at every request."""
        return func

    def make_default_options_response(self) -> Response:
        """204 with Allow."""
        response: Response = super().make_default_options_response()
        response.status_code = 204
        del response.headers["Content-Type"]
        return response


def create_app(settings: Settings, pipeline: Pipeline) -> Application:
    """Build the application. Raises SettingsError for a default profile that is not there or a file that cannot be used.

    The rules' own examples run here. Where one fails, the application answers,
    but reviews nothing: ``/health/ready`` and reviews are 503.
    """
    if settings.default_profile not in pipeline.served:
        raise SettingsError([f"{PREFIX}DEFAULT_PROFILE is not a profile that is served."])
    failures = pipeline.self_test()
    for line in failures:
        log.emit("error", "self-test-failed", reason=line)
    ready = not failures
    logging.getLogger(__name__).disabled = True  # Flask's logger has the name of this module
    app = Application(__name__, static_folder=None)
    app.url_map.merge_slashes = False  # the redirect would repeat the path
    app.extensions["restraint_review_ready"] = ready
    limits = capacity.Capacity(settings)
    reviewing = Reviewing(pipeline, limits, ready, settings.default_profile)
    # The order of these is the order of refusals: 404 and 405, 401 and 403, 429, and the rest by each view.
    _start_every_request(app)
    operations_port.register(app, settings)
    access.register(app, settings)
    capacity.register(app, limits)
    reviews.register(app, settings, reviewing)
    batches.register(app, settings, reviewing)
    cds.register(app, settings, reviewing)
    pages.register(app, settings, reviewing)
    rules.register(app, pipeline.rulebook)
    profiles.register(app, pipeline)
    facts.register(app, pipeline.rulebook)
    formats.register(app, pipeline.rulebook)
    contract.register(app)
    problem_guides.register(app)
    health.register(app, ready)
    metrics_route.register(app)
    access.check(app)
    _handle_errors(app)
    _handle_every_answer(app)
    problem_guides.answer_browsers(app)  # the last to be added is the first to see an answer
    return app


def is_ready(app: Application) -> bool:
    """Whether this application reviews."""
    return bool(app.extensions["restraint_review_ready"])


def _handle_errors(app: Application) -> None:
    @app.errorhandler(problems.Refusal)
    def refused(refusal: problems.Refusal) -> Response:
        g.code = refusal.code
        return problems.answer(refusal.code, refusal.errors, refusal.omitted, refusal.headers)

    @app.errorhandler(MemoryError)
    def no_memory(error: MemoryError) -> Response:
        # Nothing is wrong with the request: another worker, or this one later, can answer it.
        log.crash("crash", error)
        g.code = "not-ready"
        return problems.answer(g.code, headers={"Retry-After": "1"})

    @app.errorhandler(capacity.CallerGone)
    def gone(_gone: capacity.CallerGone) -> Response:
        g.code = "caller-gone"  # for the log line: nobody reads the answer
        return Response(status=503)

    @app.errorhandler(HTTPException)
    def failed(error: HTTPException) -> Response:
        headers: dict[str, str] = {}
        if isinstance(error, MethodNotAllowed):
            g.code = "method-not-allowed"
            headers["Allow"] = ", ".join(sorted(error.valid_methods or ()))
        elif isinstance(error, NotFound):
            g.code = "not-found"
        else:
            g.code = "bad-request" if error.code is not None and error.code < 500 else "internal-error"
        return problems.answer(g.code, headers=headers)


def _start_every_request(app: Application) -> None:
    @app.before_request
    def start() -> None:
        g.start = time.perf_counter()


def _handle_every_answer(app: Application) -> None:
    @app.after_request
    def finish(response: Response) -> Response:
        request_body.drain(request, response.status_code)
        response.headers["X-Content-Type-Options"] = "nosniff"
        route = request.url_rule.rule if request.url_rule else None
        method = request.method if request.method in _METHODS else "other"
        seconds = time.perf_counter() - g.start
        trace_id, parent = trace.ids(request.headers.get("traceparent", "")) or (None, None)
        # A streamed answer has no length yet.
        size_in, size_out = request.content_length, None if response.is_streamed else response.content_length
        log.emit(
            "debug" if route in _QUIET else "info",
            "request",
            route=route,
            method=method,
            status=response.status_code,
            code=g.get("code"),
            client=g.get("client"),
            duration_ms=round(seconds * 1000, 3),
            bytes_in=size_in,
            bytes_out=size_out,
            trace=trace_id,
            parent=parent,
        )
        metrics.answered(route or "none", method, response.status_code, g.get("code"), seconds, size_in, size_out)
        return response
