"""Files that say who may call: read again when they change while the service runs."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Generic, TypeVar

from service.observe import log, metrics
from service.settings import PREFIX, SettingsError

#: Seconds between two looks at a file.
_LOOK_EVERY = 1.0

T = TypeVar("T")


class NobodyKnows(Exception):
    """Who may call is not known: the file could not be read since this process began."""


class WatchedFile(Generic[T]):
    """The content of a file, read again when it changes; after a change that cannot be used the old content stays."""

    def __init__(self, path: Path, read: Callable[[bytes], T], name: str) -> None:
        """``name``: of the setting, without its prefix. Raises SettingsError when the file cannot be used now."""
        self._path = path
        self._read = read
        self._name = name
        self._lock = threading.Lock()
        self._looked = time.monotonic()
        self._process = os.getpid()
        try:
            self._seen = self._look()
            self._value: T | None = read(path.read_bytes())
        except OSError:
            raise SettingsError([f"{PREFIX}{name} cannot be opened."]) from None
        except ValueError as error:
            raise SettingsError([f"{PREFIX}{name}: {error}."]) from None

    def _look(self) -> tuple[int, int, int]:
        found = self._path.stat()
        return found.st_mtime_ns, found.st_size, found.st_ino

    def value(self) -> T:
        """The content now. Raises NobodyKnows."""
        with self._lock:
            now, process = time.monotonic(), os.getpid()
            forked, self._process = process != self._process, process
            if forked or now - self._looked >= _LOOK_EVERY:
                self._looked = now
                self._look_again(forked)
            if self._value is None:
                raise NobodyKnows
            return self._value

    def _look_again(self, forked: bool) -> None:
        try:
            seen = self._look()
            if seen != self._seen:
                self._seen = seen
                self._value = self._read(self._path.read_bytes())
                log.emit("info", "access-file-read", setting=self._name)
        except (OSError, ValueError) as error:
            if forked:
                # What the first process read at its start may be older than what other workers have: a key that was
                # taken away since must not let anybody in.
                self._value = None
            metrics.file_not_read(self._name)
            log.emit("error", "access-file-not-read", setting=self._name, exception=type(error).__name__)
