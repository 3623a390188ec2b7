"""The messages of gunicorn as log lines of ours.

gunicorn writes request lines and parts of headers into some of its messages.
So their texts are not passed on: a message in the table below becomes an event
with the arguments named there (process ids, signals), and any other becomes an
event with the place in gunicorn that wrote it.
"""

from __future__ import annotations

import sys
from typing import Any

from gunicorn import glogging  # type: ignore[import-untyped,unused-ignore]

from . import log, metrics

#: Messages that are left out: the service writes the same with more in it, or they are of no use to operators.
_LEFT_OUT = frozenset({"Listening at: %s (%s)", "Using worker: %s"})
#: Text of a message before its arguments are filled in -> (event, field for each argument; "" drops the argument).
_KNOWN: dict[str, tuple[str, tuple[str, ...]]] = {
    "Starting gunicorn %s": ("server-starting", ("",)),
    "Booting worker with pid: %s": ("worker-starting", ("worker",)),
    "Worker exiting (pid: %s)": ("worker-stopping", ("worker",)),
    "WORKER TIMEOUT (pid:%s)": ("worker-timeout", ("worker",)),
    "Worker (pid:%s) exited with code %s.": ("worker-failed", ("worker", "exit_code")),
    "Worker (pid:%s) was sent %s!": ("worker-killed", ("worker", "signal")),
    "Worker (pid:%s) was sent %s! Perhaps out of memory?": ("worker-killed", ("worker", "signal")),
    "Handling signal: %s": ("server-signal", ("signal",)),
    "Shutting down: %s": ("server-stopping", ("",)),
    "Reason: %s": ("server-gave-up", ("",)),
    "Connection in use: %s": ("address-in-use", ("",)),
    "Can't connect to %s": ("address-not-bound", ("",)),
}


class ServerLog(glogging.Logger):  # type: ignore[misc,no-any-unimported,unused-ignore]
    """gunicorn's logger with every method that writes replaced."""

    def setup(self, cfg: Any) -> None:
        """Take the level from the server's configuration."""
        self.cfg = cfg
        log.set_level(cfg.loglevel)

    @property
    def access_log_enabled(self) -> bool:
        """Off: the application writes a line for each request."""
        return False

    def critical(self, msg: Any, *args: Any, **kwargs: Any) -> None:
        """Write an error."""
        self._pass_on("error", msg, args)

    def error(self, msg: Any, *args: Any, **kwargs: Any) -> None:
        """Write an error."""
        self._pass_on("error", msg, args)

    def warning(self, msg: Any, *args: Any, **kwargs: Any) -> None:
        """Write a warning."""
        self._pass_on("warning", msg, args)

    def info(self, msg: Any, *args: Any, **kwargs: Any) -> None:
        """Write it."""
        self._pass_on("info", msg, args)

    def debug(self, msg: Any, *args: Any, **kwargs: Any) -> None:
        """Write it if it is in the table."""
        self._pass_on("debug", msg, args)

    def exception(self, msg: Any, *args: Any, **kwargs: Any) -> None:
        """Write class and place of the exception being handled."""
        log.crash("server-crash", sys.exc_info()[1])

    def log(self, lvl: Any, msg: Any, *args: Any, **kwargs: Any) -> None:
        """Write it."""
        self._pass_on("info", msg, args)

    def access(self, resp: Any, req: Any, environ: Any, request_time: Any) -> None:
        """Nothing: see ``access_log_enabled``."""

    def reopen_files(self) -> None:
        """Nothing: lines go to standard error."""

    def close_on_exec(self) -> None:
        """Nothing: no files are open."""

    def _pass_on(self, level: str, msg: Any, args: tuple[Any, ...]) -> None:
        event, names = _KNOWN.get(str(msg), ("", ()))
        if str(msg) in _LEFT_OUT:
            return
        if event:
            fields = {name: _plain(value) for name, value in zip(names, args, strict=False) if name}
            log.emit(level, event, **fields)
            if event in ("worker-killed", "worker-failed"):
                metrics.worker_ended(str(fields.get("signal") or f"exit {fields.get('exit_code')}"))
        elif level != "debug":
            log.emit(level, "server-message", place=log.line_of(sys._getframe(2)))


def _plain(value: Any) -> str | int:
    return value if isinstance(value, int) else str(value)
